/* Where the platen is, from the two lines of an incremental scale.
 *
 * Each change of one line is one count. Both lines changed at once means that an edge was lost, so that the
 * count is no longer true: that is a fault, and only homing makes positions mean something again.
 */
#ifndef QUADRATURE_H
#define QUADRATURE_H

#include <stdbool.h>
#include <stdint.h>

void quadrature_begin(uint8_t lines);

/* Counts since the zero. */
int32_t quadrature_counts(void);

/* The same with interrupts held off already. */
int32_t quadrature_counts_locked(void);

/* From now on counts are smaller by so much. */
void quadrature_subtract(int32_t counts);

/* Whether an edge was lost since this was asked last. */
bool quadrature_lost_edge(void);

#endif
