#include "press_model.h"

#include <math.h>

#include "amplifier_model.h"
#include "bench.h"
#include "schedule.h"

/* The home switch is pressed below this and lets go at zero, as real ones need some way back. */
#define HOME_PRESSES_AT (-20)
#define UPPER_PRESSES_AT (121 * STEPS_PER_MM)
#define FIRST_PLACE (3 * STEPS_PER_MM)
/* The scale's edges come when the platen moves, which follows its motor late and unevenly: up to so long after the
 * step pulse, and never in time with it. */
#define SCALE_LATE_CYCLES (120u * CYCLES_PER_US)
#define TEAR_CYCLES (50u * CYCLES_PER_US)
#define SHOVE_CYCLES (250u * CYCLES_PER_US) /* for each step: 10 mm/s */
#define CONVERSIONS_PER_S 80u

static bool direction;

double model_platen_mm(const struct press_model *model)
{
    return (double)model->platen / STEPS_PER_MM;
}

static void drive_scale(unsigned phase)
{
    chip_drive(SCALE_A, phase == 1 || phase == 2);
    chip_drive(SCALE_B, phase >= 2);
}

static void show_scale(struct press_model *model)
{
    drive_scale((unsigned)((model->motor_reversed ? -model->counts : model->counts) & 3));
}

static int64_t true_counts(const struct press_model *model)
{
    return model->platen >= 0 ? model->platen / STEPS_PER_COUNT
                              : -((-model->platen + STEPS_PER_COUNT - 1) / STEPS_PER_COUNT);
}

/* Uneven, by a linear congruence with the constants of the MMIX computer (D. Knuth; recalled). */
static uint64_t scale_late(struct press_model *model)
{
    model->scale_state = model->scale_state * 6364136223846793005u + 1442695040888963407u;
    return 1u + (model->scale_state >> 33) % SCALE_LATE_CYCLES;
}

static uint64_t scale_edge(void *param)
{
    struct press_model *model = param;
    int64_t should = true_counts(model);
    if (model->scale == SCALE_FROZEN || model->counts == should)
        return 0;
    model->counts += should > model->counts ? 1 : -1;
    show_scale(model);
    return model->counts == should ? 0 : scale_late(model);
}

static void count(struct press_model *model)
{
    if (model->scale != SCALE_FROZEN && model->counts != true_counts(model) && !scheduled(scale_edge))
        schedule(scale_late(model), scale_edge, model);
}

static bool pressed(enum switch_mode mode, bool by_platen)
{
    return mode == SWITCH_FREE ? by_platen : mode == SWITCH_PRESSED;
}

static void show_switches(struct press_model *model)
{
    if (model->platen <= HOME_PRESSES_AT)
        model->home_pressed = true;
    else if (model->platen >= 0)
        model->home_pressed = false;
    bool swapped = model->plugs_swapped;
    chip_drive(swapped ? UPPER_SWITCH : HOME_SWITCH, pressed(model->home, model->home_pressed));
    chip_drive(swapped ? HOME_SWITCH : UPPER_SWITCH, pressed(model->upper, model->platen >= UPPER_PRESSES_AT));
    chip_drive(STOP_CONTACT, model->stop_open);
}

void model_mark(struct press_model *model)
{
    model->mark = chip_cycles();
    model->steps_at_mark = model->steps;
    model->stepped_since_mark = false;
    model->shortest = model->shortest_pulse = model->last_pulse = UINT64_MAX;
    model->longest = 0;
}

static void watch(struct press_model *model)
{
    bool force = !isnan(model->watch_n) && model->force_n >= model->watch_n;
    bool place = !isnan(model->watch_mm) && model_platen_mm(model) >= model->watch_mm;
    if (!force && !place)
        return;
    model->watch_n = model->watch_mm = NAN;
    model_mark(model);
}

void model_refresh(struct press_model *model)
{
    amplifier_model_sum(model);
    model->force_n = specimen_force_n(&model->specimen, model_platen_mm(model)) + model->pushed_n;
    count(model);
    show_switches(model);
    watch(model);
}

static void move(struct press_model *model)
{
    if (model->stalled || !model->motor_on)
        return;
    model->motor += direction != model->motor_reversed ? 1 : -1;
    if (model->motor > model->platen)
        model->platen = model->motor;
    else if (model->platen > model->motor + model->backlash_steps)
        model->platen = model->motor + model->backlash_steps;
    model_refresh(model);
}

static void step_changed(struct press_model *model, bool high)
{
    uint64_t now = chip_cycles(), since = now - model->last_step;
    if (high && !model->step_was_high) {
        if (model->stepped_since_mark) {
            model->shortest = since < model->shortest ? since : model->shortest;
            model->longest = since > model->longest ? since : model->longest;
        }
        model->last_step = now;
        model->stepped_since_mark = true;
        model->steps++;
        move(model);
    }
    if (!high && model->step_was_high) {
        /* of all before the last, so that the two can be compared */
        if (model->last_pulse < model->shortest_pulse)
            model->shortest_pulse = model->last_pulse;
        model->last_pulse = since;
    }
    model->step_was_high = high;
}

void model_output(enum output line, bool high)
{
    static bool clock_was_high;
    struct press_model *model = &bench.model;
    switch (line) {
    case STEP: step_changed(model, high); break;
    case DIRECTION: direction = high; break;
    case MOTOR_ENABLE: model->motor_on = !high; break;
    case LAMP: model->lamp_on = high; break;
    case AMPLIFIER_CLOCK:
        if (high != clock_was_high)
            amplifier_model_clock(model, high);
        clock_was_high = high;
        break;
    }
}

void model_new_specimen(struct press_model *model, double stiffness, double contact, double power, double set)
{
    struct specimen fresh = {
        .stiffness_n_per_mm = stiffness,
        .contact_mm = contact,
        .power = power,
        .set_share = set,
        .loading = true,
        .before_mm = model_platen_mm(model) - contact,
    };
    model->specimen = fresh;
    model_refresh(model);
}

static uint64_t mend_scale(void *param)
{
    struct press_model *model = param;
    model->scale = SCALE_RUNS;
    show_scale(model);
    count(model);
    return 0;
}

static uint64_t shove_on(void *param)
{
    struct press_model *model = param;
    int64_t way = model->shove_steps > 0 ? 1 : -1;
    model->shove_steps -= way;
    model->motor += way;
    model->platen += way;
    model_refresh(model);
    return model->shove_steps ? SHOVE_CYCLES : 0;
}

void model_shove(struct press_model *model, double mm)
{
    int64_t way = llround(mm * STEPS_PER_MM);
    model->shove_steps = way;
    if (way)
        schedule(SHOVE_CYCLES, shove_on, model);
}

/* A spark or a bad contact: both lines change at once, before an interrupt can look, and come back. */
void model_tear_scale(struct press_model *model)
{
    drive_scale((unsigned)((model->counts + 2) & 3));
    model->scale = SCALE_FROZEN;
    schedule(TEAR_CYCLES, mend_scale, model);
}

void model_begin(struct press_model *model)
{
    model->motor = model->platen = FIRST_PLACE;
    model->counts = FIRST_PLACE / STEPS_PER_COUNT;
    model->conversion_cycles = CYCLES_PER_S / CONVERSIONS_PER_S;
    model->watch_n = model->watch_mm = NAN;
    amplifier_model_begin(model);
    model_mark(model);
    show_scale(model);
    model_refresh(model);
}
