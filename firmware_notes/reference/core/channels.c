#include "channels.h"

#include <string.h>

#include "bytes.h"
#include "chip.h"
#include "frames.h"
#include "protocol.h"
#include "settings.h"

#if CHANNELS

#define UNIT_BYTES 8u

struct channel {
    uint8_t kind;
    char unit[UNIT_BYTES];
    int32_t scale;
    int8_t exponent;
    int32_t zero;
    char name[25];
};

static const struct channel table[] = CHANNEL_TABLE;
typedef char table_has_as_many_rows_as_there_are_channels[sizeof table / sizeof *table == CHANNELS ? 1 : -1];

static bool on;
static uint32_t read_us;

void channels_begin(void)
{
    on = false;
}

void channels_wanted(bool wanted, uint32_t now_us)
{
    on = wanted;
    read_us = now_us;
}

uint8_t channels_describe(uint8_t number, uint8_t *payload)
{
    if (number == 0 || number > CHANNELS)
        return 0;
    const struct channel *channel = &table[number - 1u];
    uint8_t *at = payload;
    *at++ = MESSAGE_CHANNEL;
    *at++ = number;
    *at++ = channel->kind;
    memcpy(at, channel->unit, UNIT_BYTES);
    at = put_u32(at + UNIT_BYTES, (uint32_t)channel->scale);
    *at++ = (uint8_t)channel->exponent;
    at = put_u32(at, (uint32_t)channel->zero);
    for (const char *sign = channel->name; *sign; sign++)
        *at++ = (uint8_t)*sign;
    return (uint8_t)(at - payload);
}

uint8_t channels_take(uint32_t now_us, uint8_t *payload)
{
    if (!on || now_us - read_us < READINGS_US)
        return 0;
    read_us = now_us;
    uint8_t *at = payload;
    *at++ = MESSAGE_READINGS;
    at = put_u32(at, now_us);
    *at++ = 1;
    for (uint8_t which = 0; which < CHANNELS; which++)
        at = put_u32(at, (uint32_t)chip_channel(which));
    return (uint8_t)(at - payload);
}

#else

void channels_begin(void)
{
}

void channels_wanted(bool wanted, uint32_t now_us)
{
    (void)wanted;
    (void)now_us;
}

uint8_t channels_describe(uint8_t number, uint8_t *payload)
{
    (void)number;
    (void)payload;
    return 0;
}

uint8_t channels_take(uint32_t now_us, uint8_t *payload)
{
    (void)now_us;
    (void)payload;
    return 0;
}

#endif
