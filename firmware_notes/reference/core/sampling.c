#include "sampling.h"

#include "amplifier.h"
#include "bytes.h"
#include "chip.h"
#include "frames.h"
#include "motions.h"
#include "quadrature.h"
#include "settings.h"
#include "switches.h"
#include "trips.h"

#define MHZ 1000UL
#define TICKS_PER_US (TICKS_PER_S / 1000000UL)
/* Slower streams always have a conversion that is new, and near enough. */
#define HELD_BACK_BELOW_US (2000000UL / AMPLIFIER_PER_S)

/* The loop turns each millisecond at the latest, but may find two samples held back, and a third just taken. */
#define MOST_WAITING 4u

#define BLOCK_HEAD 14u
#define BLOCK_STEP 5u
#define BLOCK_SAMPLES ((LONGEST_PAYLOAD - BLOCK_HEAD) / BLOCK_STEP)
/* The samples of a block lie this near an even pace: a part of the period, and the resolution of the clock. */
#define EVEN_PART 50u
#define EVEN_US 1u

struct taken {
    uint32_t time_us;
    int32_t position;
    uint16_t number;
};

struct sample {
    struct taken taken;
    int32_t force;
    uint8_t status;
};

/* Samples that are to go together. */
static struct {
    struct sample samples[BLOCK_SAMPLES];
    uint8_t count;
} block;

static struct taken waiting[MOST_WAITING];
static volatile uint8_t oldest, count;
static volatile uint16_t numbered;
static uint32_t hold_us, period_us;
static bool on, fresh, in_blocks;

void sampling_begin(void)
{
    chip_sample_every(0);
    on = fresh = false;
    oldest = count = block.count = 0;
    numbered = 0;
}

uint32_t sampling_rate(uint32_t wanted_mhz, bool reads_blocks)
{
    uint32_t fastest_mhz = reads_blocks ? FASTEST_BLOCKS_MHZ : FASTEST_STREAM_MHZ;
    chip_sample_every(0);
    fresh = false;
    count = block.count = 0;
    on = wanted_mhz != 0;
    if (!on)
        return 0;
    if (wanted_mhz > fastest_mhz)
        wanted_mhz = fastest_mhz;
    if (wanted_mhz < SLOWEST_STREAM_MHZ)
        wanted_mhz = SLOWEST_STREAM_MHZ;
    uint32_t ticks = (uint32_t)((TICKS_PER_S * MHZ + wanted_mhz / 2u) / wanted_mhz);
    in_blocks = reads_blocks && wanted_mhz > PLAIN_UP_TO_MHZ;
    period_us = ticks / TICKS_PER_US;
    hold_us = period_us < HELD_BACK_BELOW_US ? period_us / 2u : 0;
    chip_sample_every(ticks);
    return (uint32_t)((TICKS_PER_S * MHZ + ticks / 2u) / ticks);
}

bool sampling_on(void)
{
    return on;
}

void sample_due(uint32_t time_us)
{
    uint16_t number = numbered++;
    if (count >= MOST_WAITING)
        return; /* its number is missing, which tells the host */
    struct taken *sample = &waiting[(uint8_t)(oldest + count) % MOST_WAITING];
    sample->time_us = time_us;
    sample->position = quadrature_counts_locked();
    sample->number = number;
    count++;
}

void sampling_subtract(int32_t offset)
{
    for (uint8_t i = 0; i < count; i++)
        waiting[(uint8_t)(oldest + i) % MOST_WAITING].position -= offset;
    for (uint8_t i = 0; SENDS_BLOCKS && i < block.count; i++)
        block.samples[i].taken.position -= offset;
}

void sampling_force_is_new(void)
{
    fresh = true;
}

static uint8_t status(void)
{
    enum event_code cause = trips_cause();
    uint8_t bits = 0;
    if (amplifier_last()->saturated)
        bits |= STATUS_SATURATED;
    if (cause == EVENT_POSITION_FAULT)
        bits |= STATUS_POSITION_FAULT;
    if (motions_busy())
        bits |= STATUS_MOVING;
    if (switches_open(SWITCH_HOME) || switches_open(SWITCH_UPPER))
        bits |= STATUS_TRAVEL_SWITCH;
    if (trips_stop_open() || cause == EVENT_STOP_OPENED)
        bits |= STATUS_EMERGENCY_STOP;
    if (cause == EVENT_FORCE_TRIP)
        bits |= STATUS_FORCE_TRIP;
    return bits;
}

/* The oldest sample, if it has been held back for long enough. */
static bool ripe(uint32_t now_us, struct taken *sample)
{
    uint8_t before = chip_lock();
    bool any = count != 0;
    *sample = waiting[oldest];
    chip_unlock(before);
    /* signed: it may have been taken after the clock was read */
    if (!any || (int32_t)(now_us - sample->time_us) < (int32_t)hold_us
        || amplifier_waits(sample->time_us + hold_us))
        return false;
    before = chip_lock();
    oldest = (uint8_t)(oldest + 1u) % MOST_WAITING;
    count--;
    chip_unlock(before);
    return true;
}

static bool next_sample(uint32_t now_us, struct sample *sample)
{
    struct taken *taken = &sample->taken;
    if (!ripe(now_us, taken))
        return false;
    const struct conversion *last = amplifier_last();
    sample->status = status();
    /* one that ended since, between two turns of the loop, belongs to a later sample */
    bool later = (int32_t)(taken->time_us + hold_us - last->ended_us) < 0;
    sample->force = fresh && later ? last->before : last->force;
    if (fresh && !later) {
        taken->time_us = last->ended_us;
        taken->position = last->position;
        sample->status |= STATUS_FRESH_FORCE;
        fresh = false;
    }
    return true;
}

static uint8_t put_plain(uint8_t *payload, const struct sample *sample)
{
    uint8_t *at = payload;
    *at++ = MESSAGE_SAMPLE;
    *at++ = sample->status;
    at = put_u16(at, sample->taken.number);
    at = put_u32(at, sample->taken.time_us);
    at = put_u32(at, (uint32_t)sample->force);
    at = put_u32(at, (uint32_t)sample->taken.position);
    return (uint8_t)(at - payload);
}

/* Whether a sample goes on as the block began: the same status, the next number, an even pace, positions near. */
static bool joins(const struct sample *sample)
{
    const struct sample *first = block.samples;
    uint32_t since_us = sample->taken.time_us - first->taken.time_us;
    uint32_t slack_us = EVEN_US + period_us / EVEN_PART;
    int32_t moved = sample->taken.position - first->taken.position;
    return block.count != 0 && sample->status == first->status
           && sample->taken.number == (uint16_t)(first->taken.number + block.count)
           && since_us - block.count * period_us + slack_us <= 2u * slack_us && moved >= INT16_MIN
           && moved <= INT16_MAX;
}

/* Converters have 24 bits, so that every force fits. */
static uint8_t put_block(uint8_t *payload)
{
    const struct sample *first = block.samples;
    uint8_t *at = payload;
    *at++ = MESSAGE_BLOCK;
    *at++ = first->status;
    at = put_u16(at, first->taken.number);
    at = put_u32(at, first->taken.time_us);
    at = put_u16(at, (uint16_t)(block.samples[block.count - 1u].taken.time_us - first->taken.time_us));
    at = put_u32(at, (uint32_t)first->taken.position);
    for (uint8_t i = 0; i < block.count; i++) {
        const struct sample *sample = &block.samples[i];
        at = put_u16(at, (uint16_t)sample->force);
        *at++ = (uint8_t)((uint32_t)sample->force >> 16);
        at = put_u16(at, (uint16_t)(sample->taken.position - first->taken.position));
    }
    block.count = 0;
    return (uint8_t)(at - payload);
}

uint8_t sampling_take(uint32_t now_us, uint8_t *payload)
{
    struct sample sample;
    uint8_t length = 0;
    while (!length && next_sample(now_us, &sample)) {
        if (!SENDS_BLOCKS || !in_blocks)
            return put_plain(payload, &sample);
        if (block.count && !joins(&sample))
            length = put_block(payload);
        block.samples[block.count++] = sample;
        if (block.count == BLOCK_SAMPLES)
            length = put_block(payload);
    }
    return length;
}
