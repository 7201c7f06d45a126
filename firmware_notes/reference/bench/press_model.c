#include "press_model.h"

#include <avr_extint.h>
#include <avr_ioport.h>
#include <math.h>

#include "amplifier_model.h"
#include "lines.h"

/* pins of ../atmega328p/pins.h */
#define DIRECTION_PIN 0
#define STEP_PIN 1
#define POWER_PIN 2
#define LAMP_PIN 5
#define CLOCK_PIN 4
#define SCALE_A_PIN 2
#define SCALE_B_PIN 3

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
#define CYCLES_PER_S 16000000u

static bool direction;

double model_platen_mm(const struct press_model *model)
{
    return (double)model->platen / STEPS_PER_MM;
}

static void drive_scale(unsigned phase)
{
    lines_drive('D', SCALE_A_PIN, phase == 1 || phase == 2);
    lines_drive('D', SCALE_B_PIN, phase >= 2);
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
static avr_cycle_count_t scale_late(struct press_model *model)
{
    model->scale_state = model->scale_state * 6364136223846793005u + 1442695040888963407u;
    return 1u + (model->scale_state >> 33) % SCALE_LATE_CYCLES;
}

static avr_cycle_count_t scale_edge(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct press_model *model = param;
    int64_t should = true_counts(model);
    (void)avr;
    if (model->scale == SCALE_FROZEN || model->counts == should)
        return 0;
    model->counts += should > model->counts ? 1 : -1;
    show_scale(model);
    return model->counts == should ? 0 : when + scale_late(model);
}

static void count(struct press_model *model)
{
    if (model->scale != SCALE_FROZEN && model->counts != true_counts(model)
        && !avr_cycle_timer_status(model->avr, scale_edge, model))
        avr_cycle_timer_register(model->avr, scale_late(model), scale_edge, model);
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
    lines_drive('C', model->plugs_swapped ? 1 : 0, pressed(model->home, model->home_pressed));
    lines_drive('C', model->plugs_swapped ? 0 : 1, pressed(model->upper, model->platen >= UPPER_PRESSES_AT));
    lines_drive('C', 2, model->stop_open);
}

void model_mark(struct press_model *model)
{
    model->mark = model->avr->cycle;
    model->steps_at_mark = model->steps;
    model->stepped_since_mark = false;
    model->shortest = model->shortest_pulse = UINT64_MAX;
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

static void step_changed(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct press_model *model = param;
    bool high = value & 1u;
    (void)irq;
    if (high && !model->step_was_high) {
        uint64_t now = model->avr->cycle, since = now - model->last_step;
        if (model->stepped_since_mark) {
            model->shortest = since < model->shortest ? since : model->shortest;
            model->longest = since > model->longest ? since : model->longest;
        }
        model->last_step = now;
        model->stepped_since_mark = true;
        model->steps++;
        move(model);
    }
    if (!high && model->step_was_high && model->avr->cycle - model->last_step < model->shortest_pulse)
        model->shortest_pulse = model->avr->cycle - model->last_step;
    model->step_was_high = high;
}

static void direction_changed(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    direction = value & 1u;
}

static void power_changed(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct press_model *model = param;
    (void)irq;
    model->motor_on = !(value & 1u);
}

static void lamp_changed(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct press_model *model = param;
    (void)irq;
    model->lamp_on = value & 1u;
}

static void clock_changed(struct avr_irq_t *irq, uint32_t value, void *param)
{
    static bool was;
    bool high = value & 1u;
    (void)irq;
    if (high != was)
        amplifier_model_clock(param, high);
    was = high;
}

static void drive_lines(struct press_model *model)
{
    /* a line that is low before its interrupt is set up must not be taken for one that interrupts for ever */
    avr_extint_set_strict_lvl_trig(model->avr, 0, 0);
    avr_extint_set_strict_lvl_trig(model->avr, 1, 0);
    show_scale(model);
    show_switches(model);
    lines_drive('D', 5, amplifier_model_line());
    lines_again();
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

static avr_cycle_count_t mend_scale(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct press_model *model = param;
    (void)avr;
    (void)when;
    model->scale = SCALE_RUNS;
    show_scale(model);
    count(model);
    return 0;
}

static avr_cycle_count_t shove_on(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct press_model *model = param;
    int64_t way = model->shove_steps > 0 ? 1 : -1;
    (void)avr;
    model->shove_steps -= way;
    model->motor += way;
    model->platen += way;
    model_refresh(model);
    return model->shove_steps ? when + SHOVE_CYCLES : 0;
}

void model_shove(struct press_model *model, double mm)
{
    int64_t way = llround(mm * STEPS_PER_MM);
    model->shove_steps = way;
    if (way)
        avr_cycle_timer_register(model->avr, SHOVE_CYCLES, shove_on, model);
}

/* A spark or a bad contact: both lines change at once, before an interrupt can look, and come back. */
void model_tear_scale(struct press_model *model)
{
    drive_scale((unsigned)((model->counts + 2) & 3));
    model->scale = SCALE_FROZEN;
    avr_cycle_timer_register(model->avr, TEAR_CYCLES, mend_scale, model);
}

static void listen(struct press_model *model, char port, int pin, avr_irq_notify_t what)
{
    avr_irq_register_notify(avr_io_getirq(model->avr, AVR_IOCTL_IOPORT_GETIRQ(port), pin), what, model);
}

void model_begin(struct press_model *model, avr_t *avr)
{
    model->avr = avr;
    model->motor = model->platen = FIRST_PLACE;
    model->counts = FIRST_PLACE / STEPS_PER_COUNT;
    model->conversion_cycles = CYCLES_PER_S / CONVERSIONS_PER_S;
    model->watch_n = model->watch_mm = NAN;
    lines_begin(avr);
    amplifier_model_begin(model);
    model_mark(model);
    listen(model, 'B', STEP_PIN, step_changed);
    listen(model, 'B', DIRECTION_PIN, direction_changed);
    listen(model, 'B', POWER_PIN, power_changed);
    listen(model, 'B', LAMP_PIN, lamp_changed);
    listen(model, 'D', CLOCK_PIN, clock_changed);
    drive_lines(model);
    model_refresh(model);
}

void model_go_on(struct press_model *model)
{
    amplifier_model_begin(model);
    drive_lines(model);
    count(model);
}
