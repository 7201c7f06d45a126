/* The force, conversion by conversion, whatever kind of converter gives it (converter.h).
 *
 * The instant at which a conversion ended is kept with the position at that instant: a force that is given a later
 * position looks like hysteresis. The value is read later, in the loop.
 */
#ifndef AMPLIFIER_H
#define AMPLIFIER_H

#include <stdbool.h>
#include <stdint.h>

struct conversion {
    uint32_t ended_us;
    int32_t position;
    int32_t force;
    int32_t before; /* the force of the conversion before */
    bool saturated;
    uint8_t alike; /* conversions in a row with this value; stays at its end */
};

void amplifier_begin(uint32_t now_us);

/* Reads a conversion that has ended, if there is one; whether there was. */
bool amplifier_poll(void);

/* Whether one has ended no later than `time_us` and is not read yet. */
bool amplifier_waits(uint32_t time_us);

/* As sampling_subtract(), for the positions of conversions. */
void amplifier_subtract(int32_t offset);

const struct conversion *amplifier_last(void);

/* Whether there has been nothing for three periods. To be asked at each turn, with a time after amplifier_poll(). */
bool amplifier_silent(uint32_t now_us);

#endif
