/* What is to happen outside of the chip, and when. */
#ifndef SCHEDULE_H
#define SCHEDULE_H

#include <stdbool.h>
#include <stdint.h>

/* What happens; returns in how many cycles it happens again, 0 for not again. */
typedef uint64_t (*happening)(void *param);

/* Once for each happening: a second order replaces the first. */
void schedule(uint64_t in_cycles, happening what, void *param);
bool scheduled(happening what);

/* The cycle of the next one; UINT64_MAX if there is none. */
uint64_t schedule_next(void);

/* Lets everything happen that is due. */
void schedule_go(void);

#endif
