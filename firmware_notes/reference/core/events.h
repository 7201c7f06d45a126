/* Events that wait for room on the line, in their order.
 *
 * An event that ends a motion must get through: only the count of cycles, which the next one repeats, is
 * dropped when the queue is full.
 */
#ifndef EVENTS_H
#define EVENTS_H

#include <stdbool.h>
#include <stdint.h>

#include "protocol.h"

#define EVENT_PAYLOAD 12

void events_begin(void);
void events_add(enum event_code code, uint16_t request, int32_t value);

/* Writes the oldest into a payload and forgets it; its length, 0 if none waits. */
uint8_t events_take(uint8_t *payload);
bool events_waiting(void);

#endif
