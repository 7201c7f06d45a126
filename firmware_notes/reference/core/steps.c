#include "steps.h"

#include "chip.h"
#include "settings.h"

/* Intervals are kept in 1/256 of a tick: whole ticks would let the ramp drift away from its speed. */
#define FRACTION_BITS 8
/* Correction of the first interval for the recurrence above (exact would be 1): ratio of the exact second
 * interval, sqrt(2) - 1, to what the recurrence makes of the first, 3/5. */
#define FIRST_NUMERATOR 69UL
#define FIRST_DENOMINATOR 100UL
/* The direction must stand for some microseconds before the first step. */
#define DIRECTION_TICKS 100UL

#define ACCELERATION_STEPS (ACCELERATION_COUNTS_PER_S2 * STEPS_FOR / STEPS_COUNTS)

static volatile bool running;
static volatile uint32_t left;
static volatile uint32_t made;
static volatile uint32_t to_brake; /* steps */
static uint32_t interval;          /* 1/256 ticks */
static uint32_t cruise;            /* 1/256 ticks */
static uint32_t first;             /* 1/256 ticks */
static bool towards;

/* Square root one binary digit at a time, as on paper: the largest power of four is tried first, and `result` holds
 * the root so far, shifted to where its next digit belongs. Derived; any text on computer arithmetic has it. */
static uint32_t root(uint32_t square)
{
    uint32_t result = 0;
    for (uint32_t bit = 1UL << 30; bit; bit >>= 2) {
        if (square >= result + bit) {
            square -= result + bit;
            result = (result >> 1) + bit;
        } else {
            result >>= 1;
        }
    }
    return result;
}

void steps_begin(void)
{
    running = false;
    left = made = to_brake = 0;
    towards = true;
    /* from rest the first step takes sqrt(2/a) seconds; the root is taken of 2^30 times that */
    uint32_t root_s = root((2UL << 30) / ACCELERATION_STEPS);
    first = (uint32_t)(((uint64_t)TICKS_PER_S * root_s << FRACTION_BITS) >> 15);
    first = first / FIRST_DENOMINATOR * FIRST_NUMERATOR;
}

void steps_run(bool pressing, uint32_t count, uint32_t cruise_ticks)
{
    if (!count)
        return;
    uint8_t before = chip_lock();
    towards = pressing;
    left = count;
    made = 0;
    to_brake = 0;
    cruise = cruise_ticks << FRACTION_BITS;
    interval = first > cruise ? first : cruise;
    running = true;
    chip_direction(pressing);
    chip_step_after(DIRECTION_TICKS);
    chip_unlock(before);
}

void steps_brake(void)
{
    uint8_t before = chip_lock();
    if (left > to_brake)
        left = to_brake;
    if (!left)
        running = false;
    chip_unlock(before);
}

bool step_due(void)
{
    if (!left) {
        running = false;
        return false;
    }
    left--;
    made++;
    return true;
}

uint32_t step_interval(void)
{
    /* steps_brake() never interrupts this: it runs in the loop, below every interrupt */
    if (!left) {
        running = false;
        to_brake = 0;
        return 0;
    }
    uint32_t n = to_brake;
    if (left <= n) {
        interval += 2u * interval / (4u * n - 1u);
        to_brake = n - 1u;
    } else if (interval > cruise) {
        n++;
        interval -= 2u * interval / (4u * n + 1u);
        if (interval < cruise)
            interval = cruise;
        to_brake = n;
    }
    return interval >> FRACTION_BITS;
}

bool steps_running(void)
{
    return running;
}

bool steps_pressing(void)
{
    return towards;
}

uint32_t steps_made(void)
{
    uint8_t before = chip_lock();
    uint32_t now = made;
    chip_unlock(before);
    return now;
}

uint32_t steps_cruise_ticks(uint32_t counts_per_s)
{
    uint32_t ticks = TICKS_PER_S / STEPS_FOR * STEPS_COUNTS / counts_per_s;
    return ticks ? ticks : 1u;
}

uint32_t steps_in(uint32_t counts)
{
    return counts * STEPS_FOR / STEPS_COUNTS;
}

int32_t steps_counts(uint32_t steps)
{
    return (int32_t)((steps * STEPS_COUNTS + STEPS_FOR / 2u) / STEPS_FOR);
}
