/* What the files of this port share. */
#ifndef PARTS_H
#define PARTS_H

#include <stdint.h>

#define CRYSTAL_HZ 12000000u

void let_out_of_reset(uint32_t parts);

/* The way to the host: clocks and interrupts are there. (uart.c or usb.c) */
void line_begin(void);

/* From an interrupt: the loop turns now, rather than at the next millisecond. */
void wake_loop(void);

#endif
