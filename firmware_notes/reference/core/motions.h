/* Motions: one at a time, each ended by one event.
 *
 * A motion is a row of legs. A leg runs to a position; where it stops is looked up on the scale and corrected
 * by small runs. What a standstill means depends on the motion: the next leg, a pause, or the end.
 */
#ifndef MOTIONS_H
#define MOTIONS_H

#include <stdbool.h>
#include <stdint.h>

#include "protocol.h"

struct cycle_order {
    int32_t low;
    int32_t high;
    uint32_t counts_per_s;
    uint16_t pause_low_ms;
    uint16_t pause_high_ms;
    uint32_t count;
};

void motions_begin(void);
void motions_poll(uint32_t now_us);

/* Each begins a motion or says why not. */
enum result motions_move(uint16_t request, int32_t position, uint32_t counts_per_s);
enum result motions_press(uint16_t request, int32_t force, uint32_t counts_per_s, int32_t farthest);
enum result motions_home(uint16_t request, uint32_t counts_per_s);
enum result motions_cycle(uint16_t request, const struct cycle_order *order);

/* Brake; the motion under way ends with EVENT_HALTED at the standstill. */
void motions_halt(void);

/* Brake; the motion under way is over now. Its request, 0 if there was none. */
uint16_t motions_abandon(void);

/* A motion is under way, or the platen has not come to rest. */
bool motions_busy(void);
bool motions_under_way(void);
bool motions_homing(void);

/* The motion under way began on the home switch, goes off it, and has gone no farther than leaving takes. */
bool motions_leaving_home(void);

/* A homing pushes against something: the motor goes the wrong way, or something lies in its way. */
bool motions_homing_resisted(void);
bool motions_homed(void);
void motions_lose_home(void);

/* Whether the scale shows what the steps should have done. */
bool motions_follow(void);

uint16_t motions_last_request(void);
uint32_t motions_cycles_done(void);

#endif
