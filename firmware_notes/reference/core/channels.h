/* Channels beside the samples: what each is, and their counts ten times a second. */
#ifndef CHANNELS_H
#define CHANNELS_H

#include <stdbool.h>
#include <stdint.h>

void channels_begin(void);

/* Whether the host wants readings from now on. */
void channels_wanted(bool wanted, uint32_t now_us);

/* Writes what a channel is (from 1) into a payload of LONGEST_PAYLOAD bytes; its length, 0 for one that is not there. */
uint8_t channels_describe(uint8_t number, uint8_t *payload);

/* Writes readings into a payload if they are due; its length or 0. */
uint8_t channels_take(uint32_t now_us, uint8_t *payload);

#endif
