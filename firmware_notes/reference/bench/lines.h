/* Levels of the chip's input lines, which a reset or a write to a port's pull-ups must not change. */
#ifndef LINES_H
#define LINES_H

#include <stdbool.h>

#include <sim_avr.h>

void lines_begin(avr_t *avr);
void lines_drive(char port, int pin, bool high);

/* All lines again, as after a reset. */
void lines_again(void);

#endif
