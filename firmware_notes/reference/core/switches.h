/* The three contacts, after their bouncing. All are closed at rest, so a broken wire reads as pressed. */
#ifndef SWITCHES_H
#define SWITCHES_H

#include <stdbool.h>
#include <stdint.h>

void switches_begin(uint32_t now_us);
void switches_poll(uint32_t now_us);

/* Whether a contact is open (SWITCH_HOME, SWITCH_UPPER, SWITCH_STOP). */
bool switches_open(uint8_t which);

/* All that are open. */
uint8_t switches_all(void);

#endif
