/* A chip without registers: time, motor, scale, switches and amplifier that a test turns by hand.
 *
 * It runs the same on a computer and on the microcontroller, so that the core is tested as both compilers
 * understand it. A spring between the platens gives a force from the position.
 */
#ifndef FAKE_CHIP_H
#define FAKE_CHIP_H

#include <stdbool.h>
#include <stdint.h>

#define MOST_EVENTS 12

struct fake_event {
    uint8_t code;
    uint16_t request;
    int32_t value;
    uint32_t time_us;
};

struct fake {
    /* to be set by tests */
    uint8_t open;             /* switches that are open, beside the home switch below zero */
    bool stalled;             /* steps move nothing */
    bool silent;              /* no conversions */
    bool frozen;              /* conversions that never differ */
    bool stuck;               /* the data line stays low */
    int32_t set_force;        /* force beside the spring's */
    int32_t contact;          /* spring from this position on, in counts from the switch */
    int32_t force_per_count;
    bool caught;              /* conversions that differ by noise only, about `caught_force` */
    int32_t caught_force;
    uint8_t room;             /* bytes that the line takes now */

    /* what happened */
    uint32_t steps;
    bool powered;             /* current through the motor */
    uint32_t steps_unpowered;
    uint16_t begun_unlocked;  /* directions and steps that were ordered with interrupts let in */
    uint32_t shortest_ticks;
    int32_t place;            /* motor steps from the home switch */
    uint8_t replies, samples, identities, states, abilities, channels, readings, damaged, event_count;
    uint8_t result;
    uint16_t reply_request;
    int32_t reply_value;
    struct fake_event events[MOST_EVENTS];
    uint8_t sample[16];
    uint8_t blocks, block_bytes;
    uint8_t block[64];        /* or the abilities, a channel or readings */
    int32_t channel[2];       /* counts that sensors give */
    uint8_t state[40];
};

extern struct fake fake;

/* A boot at a time, with the platen so many counts above the home switch. */
void fake_boot(uint32_t time_us, int32_t counts);

/* Let time pass, with a turn of the loop each half millisecond. */
void fake_run_us(uint32_t us);

/* The host sends a command; body is added to type and request. */
void fake_command(uint8_t type, uint16_t request, const uint8_t *body, uint8_t count);

/* The host sends bytes. */
void fake_bytes(const uint8_t *bytes, uint8_t count);

void fake_forget_events(void);

/* The scale shows where `place` is now. */
void fake_show_scale(void);

/* An edge of the scale is lost. */
void fake_tear_scale(void);

/* Where results are written. */
void say(const char *text);
void say_number(uint16_t number);
void say_end(int failures);

#ifdef __AVR__
#include <avr/pgmspace.h>
#define TEXT(text) PSTR(text)
#else
#define TEXT(text) (text)
#endif

#endif
