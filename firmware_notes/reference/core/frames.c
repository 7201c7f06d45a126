#include "frames.h"

static uint16_t crc_of(uint16_t crc, uint8_t byte)
{
    /* Polynomial 0x1021 for all eight bits at once: no table, which would cost 512 bytes of flash. Derived: dividing
     * q x^16 by x^16 + x^12 + x^5 + 1 leaves q (x^12 + x^5 + 1); what q x^12 pushes beyond x^16 are its upper four
     * bits, which come back by the same rule, so that q is first folded with its own upper half. */
    uint8_t high = (uint8_t)((crc >> 8) ^ byte);
    high ^= (uint8_t)(high >> 4);
    return (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)((uint16_t)high << 12) ^ (uint16_t)((uint16_t)high << 5)
                      ^ high);
}

uint16_t frame_crc(const uint8_t *bytes, uint8_t count)
{
    uint16_t crc = 0xFFFFu;
    while (count--)
        crc = crc_of(crc, *bytes++);
    return crc;
}

uint8_t frame_encode(const uint8_t *payload, uint8_t count, uint8_t *wire)
{
    uint16_t crc = frame_crc(payload, count);
    uint8_t sealed[2] = {(uint8_t)crc, (uint8_t)(crc >> 8)};
    uint8_t code_at = 0, end = 1, total = (uint8_t)(count + 2u);
    for (uint8_t i = 0; i < total; i++) {
        uint8_t byte = i < count ? payload[i] : sealed[i - count];
        if (byte) {
            wire[end++] = byte;
        } else {
            wire[code_at] = (uint8_t)(end - code_at);
            code_at = end++;
        }
    }
    wire[code_at] = (uint8_t)(end - code_at);
    wire[end++] = 0;
    return end;
}

void frame_begin(struct frame_receiver *receiver)
{
    receiver->count = 0;
    receiver->damaged = 0;
    /* what comes before the first delimiter may be the end of something */
    receiver->too_long = false;
}

/* Unstuffs in place; 0 if the codes do not fit the length. */
static uint8_t unstuffed(uint8_t *bytes, uint8_t count)
{
    uint8_t from = 0, to = 0;
    while (from < count) {
        uint8_t code = bytes[from++];
        if (code == 0 || code - 1u > (uint8_t)(count - from))
            return 0;
        for (uint8_t i = 1; i < code; i++)
            bytes[to++] = bytes[from++];
        if (from < count && code < 0xFFu)
            bytes[to++] = 0;
    }
    return to;
}

uint8_t frame_take(struct frame_receiver *receiver, uint8_t byte)
{
    if (byte) {
        if (receiver->count < LONGEST_FRAME)
            receiver->bytes[receiver->count++] = byte;
        else
            receiver->too_long = true;
        return 0;
    }
    uint8_t count = receiver->count, length = 0;
    bool empty = count == 0;
    if (!receiver->too_long)
        length = unstuffed(receiver->bytes, count);
    receiver->count = 0;
    receiver->too_long = false;
    if (length >= 3u) {
        uint8_t payload = (uint8_t)(length - 2u);
        uint16_t said = (uint16_t)(receiver->bytes[payload] | (uint16_t)receiver->bytes[payload + 1u] << 8);
        if (payload <= LONGEST_PAYLOAD && said == frame_crc(receiver->bytes, payload))
            return payload;
    }
    if (!empty && receiver->damaged < 0xFFFFu)
        receiver->damaged++;
    return 0;
}
