/* Bytes to payloads and back: check sum, stuffing, delimiter.
 *
 * The receiver may join anywhere, is in step after the next 0x00, and needs 67 bytes whatever arrives.
 */
#ifndef FRAMES_H
#define FRAMES_H

#include <stdbool.h>
#include <stdint.h>

#define LONGEST_PAYLOAD 64
/* Stuffed payload and check sum, without the delimiter. */
#define LONGEST_FRAME 67

struct frame_receiver {
    uint8_t bytes[LONGEST_FRAME];
    uint8_t count;
    bool too_long;
    uint16_t damaged; /* frames thrown away; stays at its end */
};

uint16_t frame_crc(const uint8_t *bytes, uint8_t count);

/* Writes the frame with its delimiter into `wire` (LONGEST_FRAME + 1 bytes); its length. */
uint8_t frame_encode(const uint8_t *payload, uint8_t count, uint8_t *wire);

void frame_begin(struct frame_receiver *receiver);

/* Takes one byte. Gives the length of a sound payload, which then stands at the start of `bytes`, or 0. */
uint8_t frame_take(struct frame_receiver *receiver, uint8_t byte);

#endif
