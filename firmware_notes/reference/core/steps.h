/* Steps of the motor, one interval at a time.
 *
 * Speed rises and falls at one acceleration. Beside the present interval stands the number of steps that
 * braking from it takes, so that a run ends on its last step exactly and braking at any instant takes a number
 * of steps that is known beforehand. An interval follows from the one before by one division:
 * with c[n] the interval after n steps of acceleration from rest, c[n] = c[n-1] (4n - 1)/(4n + 1).
 * Source: D. Austin, Generate stepper-motor speed profiles in real time, Embedded Systems Programming, 2005
 * (recalled). It follows from c[n] proportional to sqrt(n + 1) - sqrt(n), by a Taylor series in 1/n.
 */
#ifndef STEPS_H
#define STEPS_H

#include <stdbool.h>
#include <stdint.h>

void steps_begin(void);

/* Run `count` steps. Nothing may be running. */
void steps_run(bool pressing, uint32_t count, uint32_t cruise_ticks);

/* Come to a standstill as soon as the deceleration allows. */
void steps_brake(void);

bool steps_running(void);

/* Which way the last run goes or went. */
bool steps_pressing(void);

/* Steps of the run so far. */
uint32_t steps_made(void);

/* Interval of a steady speed in position counts per second. */
uint32_t steps_cruise_ticks(uint32_t counts_per_s);

/* Motor steps in a number of position counts, and back, rounded to the nearest. */
uint32_t steps_in(uint32_t counts);
int32_t steps_counts(uint32_t steps);

#endif
