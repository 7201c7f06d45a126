#include "amplifier_model.h"

#include <math.h>

#include "schedule.h"

#define BITS 24
#define TOP 0x7FFFFFL
/* A chip's own converter: 12 bits over what 24 bits are otherwise, no force in the middle, noise of one step. */
#define TOP_STEP 4095.0
#define MIDDLE_STEP 2048.0
#define COUNTS_PER_STEP 4096.0
/* a clock that is high for longer turns such a converter off */
#define POWER_DOWN_CYCLES (60u * CYCLES_PER_US)
/* a conversion that ends while bits are being read waits for the end of the reading */
#define RETRY_CYCLES (100u * CYCLES_PER_US)

static double impulse; /* N cycles */
static uint64_t summed_to;
static int32_t delayed[MOST_DELAYED], newest;
static unsigned oldest;
static uint32_t value;
static int bits_left = -1;

static double uniform(struct press_model *model)
{
    /* xorshift with the shifts 13, 7, 17: the noise of a run comes again with the same seed
     * (G. Marsaglia, Xorshift RNGs, Journal of Statistical Software 8(14), 2003; recalled) */
    uint64_t x = model->noise_state;
    x ^= x << 13;
    x ^= x >> 7;
    x ^= x << 17;
    model->noise_state = x;
    return ((double)(x >> 11) + 0.5) / 9007199254740992.0;
}

static double gaussian(struct press_model *model)
{
    /* G. E. P. Box and M. E. Muller, A note on the generation of random normal deviates, 1958 (recalled) */
    double radius = sqrt(-2.0 * log(uniform(model)));
    return radius * cos(2.0 * M_PI * uniform(model));
}

void amplifier_model_sum(struct press_model *model)
{
    impulse += model->force_n * (double)(chip_cycles() - summed_to);
    summed_to = chip_cycles();
}

static int32_t converted(struct press_model *model)
{
    amplifier_model_sum(model);
    double mean_n = impulse / (double)model->conversion_cycles;
    impulse = 0.0;
    if (model->amplifier == AMPLIFIER_UNEXCITED)
        mean_n = 0.0;
    if (model->amplifier == AMPLIFIER_CAUGHT)
        mean_n = model->caught_n;
    double counts = rint(mean_n * FORCE_COUNTS_PER_N + model->noise_counts * gaussian(model));
    int32_t now = counts > TOP ? TOP : counts < -TOP - 1 ? -TOP - 1 : (int32_t)counts;
    if (!model->delay_conversions)
        return now;
    int32_t late = delayed[oldest];
    delayed[oldest] = now;
    oldest = (oldest + 1u) % model->delay_conversions;
    return late;
}

uint32_t amplifier_model_reading(struct press_model *model)
{
    static double steps = MIDDLE_STEP;
    bool stands_still = model->amplifier == AMPLIFIER_SILENT || model->amplifier == AMPLIFIER_FROZEN;
    double force_n = model->amplifier == AMPLIFIER_UNEXCITED ? 0.0
        : model->amplifier == AMPLIFIER_CAUGHT               ? model->caught_n
                                                             : model->force_n;
    if (!stands_still)
        steps = rint(MIDDLE_STEP + force_n * FORCE_COUNTS_PER_N / COUNTS_PER_STEP + gaussian(model));
    if (model->amplifier == AMPLIFIER_SATURATED)
        steps = TOP_STEP;
    if (model->amplifier == AMPLIFIER_STUCK_LOW)
        steps = 0.0;
    return (uint32_t)(steps < 0.0 ? 0.0 : steps > TOP_STEP ? TOP_STEP : steps);
}

static uint64_t deliver(void *param)
{
    struct press_model *model = param;
    if (bits_left > 0 && bits_left < BITS)
        return RETRY_CYCLES;
    if (model->amplifier != AMPLIFIER_FROZEN)
        value = (uint32_t)newest & 0xFFFFFFu;
    if (model->amplifier == AMPLIFIER_SATURATED)
        value = TOP;
    bits_left = BITS;
    chip_drive(AMPLIFIER_DATA, true);
    chip_drive(AMPLIFIER_DATA, false);
    return 0;
}

static uint64_t conversion_ends(void *param)
{
    struct press_model *model = param;
    newest = converted(model);
    if (model->amplifier != AMPLIFIER_SILENT && model->amplifier != AMPLIFIER_STUCK_LOW)
        schedule(1, deliver, model);
    return model->conversion_cycles;
}

void amplifier_model_clock(struct press_model *model, bool high)
{
    uint64_t now = chip_cycles();
    if (!high) {
        uint64_t was_high = now - model->clock_rose;
        if (model->clock_rose && was_high > model->clock_high)
            model->clock_high = was_high;
        return;
    }
    model->clock_rose = now;
    if (model->amplifier == AMPLIFIER_STUCK_LOW || bits_left < 0)
        return;
    if (bits_left > 0) {
        bits_left--;
        chip_drive(AMPLIFIER_DATA, (value >> bits_left & 1u) != 0);
    } else {
        bits_left = -1;
        chip_drive(AMPLIFIER_DATA, true);
    }
}

void amplifier_model_begin(struct press_model *model)
{
    summed_to = chip_cycles();
    chip_drive(AMPLIFIER_DATA, true);
    schedule(model->conversion_cycles, conversion_ends, model);
}
