#include "events.h"

#include "bytes.h"
#include "chip.h"

/* One motion brings at most two events beside its cycles; a contact that chatters is debounced. */
#define MOST_WAITING 8
#define KEPT_FREE_OF_CYCLES 4

struct event {
    uint32_t time_us;
    int32_t value;
    uint16_t request;
    uint8_t code;
};

static struct event waiting[MOST_WAITING];
static uint8_t oldest, count;

void events_begin(void)
{
    oldest = count = 0;
}

void events_add(enum event_code code, uint16_t request, int32_t value)
{
    if (count >= (code == EVENT_CYCLE_FINISHED ? MOST_WAITING - KEPT_FREE_OF_CYCLES : MOST_WAITING))
        return;
    struct event *event = &waiting[(uint8_t)(oldest + count++) % MOST_WAITING];
    event->time_us = chip_time_us();
    event->value = value;
    event->request = request;
    event->code = (uint8_t)code;
}

uint8_t events_take(uint8_t *payload)
{
    if (!count)
        return 0;
    const struct event *event = &waiting[oldest];
    uint8_t *at = payload;
    *at++ = MESSAGE_EVENT;
    *at++ = event->code;
    at = put_u16(at, event->request);
    at = put_u32(at, event->time_us);
    at = put_u32(at, (uint32_t)event->value);
    oldest = (uint8_t)((oldest + 1u) % MOST_WAITING);
    count--;
    return (uint8_t)(at - payload);
}

bool events_waiting(void)
{
    return count != 0;
}
