#include "sampling.h"

#include "amplifier.h"
#include "bytes.h"
#include "chip.h"
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

struct taken {
    uint32_t time_us;
    int32_t position;
    uint16_t number;
};

static struct taken waiting[MOST_WAITING];
static volatile uint8_t oldest, count;
static volatile uint16_t numbered;
static uint32_t hold_us;
static bool on, fresh;

void sampling_begin(void)
{
    chip_sample_every(0);
    on = fresh = false;
    oldest = count = 0;
    numbered = 0;
}

uint32_t sampling_rate(uint32_t wanted_mhz)
{
    chip_sample_every(0);
    fresh = false;
    count = 0;
    on = wanted_mhz != 0;
    if (!on)
        return 0;
    if (wanted_mhz > FASTEST_STREAM_MHZ)
        wanted_mhz = FASTEST_STREAM_MHZ;
    if (wanted_mhz < SLOWEST_STREAM_MHZ)
        wanted_mhz = SLOWEST_STREAM_MHZ;
    uint32_t ticks = (uint32_t)((TICKS_PER_S * MHZ + wanted_mhz / 2u) / wanted_mhz);
    uint32_t period_us = ticks / TICKS_PER_US;
    hold_us = period_us < HELD_BACK_BELOW_US ? period_us / 2u : 0;
    chip_sample_every(ticks);
    return (uint32_t)(TICKS_PER_S * MHZ / ticks);
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

uint8_t sampling_take(uint32_t now_us, uint8_t *payload)
{
    struct taken sample;
    if (!ripe(now_us, &sample))
        return 0;
    const struct conversion *last = amplifier_last();
    uint8_t bits = status();
    /* one that ended since, between two turns of the loop, belongs to a later sample */
    bool later = (int32_t)(sample.time_us + hold_us - last->ended_us) < 0;
    if (fresh && !later) {
        sample.time_us = last->ended_us;
        sample.position = last->position;
        bits |= STATUS_FRESH_FORCE;
        fresh = false;
    }
    uint8_t *at = payload;
    *at++ = MESSAGE_SAMPLE;
    *at++ = bits;
    at = put_u16(at, sample.number);
    at = put_u32(at, sample.time_us);
    at = put_u32(at, (uint32_t)(fresh && later ? last->before : last->force));
    at = put_u32(at, (uint32_t)sample.position);
    return (uint8_t)(at - payload);
}
