/* The device: the host's commands in, replies, events and samples out. */
#ifndef PRESS_H
#define PRESS_H

#include <stdint.h>

/* After a boot, with its cause, which the boot event carries, and the levels of the scale's two lines. */
void press_begin(uint8_t reset_cause, uint8_t scale_lines);

/* One turn of the loop: some 50 to 400 us on an 8-bit chip, and never waiting. Call it at least each millisecond. */
void press_poll(void);

#endif
