/* Whether the platen may move, and what stops it without the host.
 *
 * A trip brakes, latches, disarms and sends its event, which also ends the motion under way. After it, what is
 * already outside the limits is excused for motion away from there, as long as it does not get worse.
 */
#ifndef TRIPS_H
#define TRIPS_H

#include <stdbool.h>
#include <stdint.h>

#include "protocol.h"

struct limits {
    int32_t lowest_force;
    int32_t highest_force;
    int32_t lowest_position;
    int32_t highest_position;
};

void trips_begin(uint32_t now_us);

/* Looks at everything that can stop the platen. */
void trips_poll(uint32_t now_us);

/* Brake, latch and disarm, unless a stop is latched already. */
void trips_stop(enum event_code cause, int32_t value);

enum result trips_arm(uint32_t now_us);
void trips_disarm(void);
void trips_beat(uint32_t now_us);
enum result trips_clear(void);

/* The motor loses its current, if it is disarmed and stands. */
enum result trips_release(void);
enum result trips_set_limits(const struct limits *limits);

/* A motion begins: remember what is outside now. */
void trips_excuse(void);

bool trips_armed(void);
bool trips_limits_set(void);
enum event_code trips_cause(void);
bool trips_stop_open(void);

/* The limits in force: those set, or those built in. */
const struct limits *trips_limits(void);

/* Outside towards the fixed platen, or away from it: only motion the other way is accepted. */
bool trips_pressed(void);
bool trips_pulled(void);

#endif
