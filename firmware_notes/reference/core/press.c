#include "press.h"

#include <string.h>

#include "amplifier.h"
#include "bytes.h"
#include "channels.h"
#include "chip.h"
#include "converter.h"
#include "events.h"
#include "frames.h"
#include "motions.h"
#include "protocol.h"
#include "quadrature.h"
#include "sampling.h"
#include "settings.h"
#include "steps.h"
#include "switches.h"
#include "trips.h"

/* The most that one command is answered with: identity or state, and the reply; with an event behind them. */
#define ANSWER_ROOM 110u
/* What a frame adds to its payload. A sample goes only where an answer would still fit behind it, so that samples
 * never hold one up. */
#define FRAME_BYTES 4u
/* Bytes from the host that one turn looks at; more would delay the trips. */
#define MOST_HEARD 32

#define IDENTITY_PAYLOAD (23 + sizeof(DEVICE_NAME) - 1)
#define STATE_PAYLOAD 34
#define REPLY_PAYLOAD 8
#define ABILITIES_PAYLOAD 46
#define SHORTEST_COMMAND 3

/* A build that breaks one of these would read past a text or overrun the frame's buffer: a negative size stops it. */
typedef char unit_id_has_8_bytes[sizeof(UNIT_ID) == 9 ? 1 : -1];
typedef char name_has_32_bytes_at_most[sizeof(DEVICE_NAME) <= 33 ? 1 : -1];

static struct frame_receiver receiver;
static uint16_t boot_id, dropped, answered;
static enum result last_result;
static int32_t last_value;

/* Bodies after type and request id, by command. */
static const uint8_t body_bytes[LAST_COMMAND - FIRST_COMMAND + 1] = {
    0, 4, 0, 0, 0, 8, 12, 0, 16, 4, 20, 0, 0, 0, 0,
};

static void send(const uint8_t *payload, uint8_t count)
{
    uint8_t wire[LONGEST_FRAME + 1];
    chip_send(wire, frame_encode(payload, count, wire));
}

static void send_identity(void)
{
    uint8_t payload[IDENTITY_PAYLOAD], *at = payload;
    *at++ = MESSAGE_IDENTITY;
    *at++ = PROTOCOL_VERSION;
    *at++ = FIRMWARE_MAJOR;
    *at++ = FIRMWARE_MINOR;
    at = put_u16(at, CAPABILITIES | (SENDS_BLOCKS ? CAPABILITY_BLOCKS : 0u));
    at = put_u16(at, boot_id);
    at = put_u32(at, FASTEST_STREAM_MHZ);
    memcpy(at, UNIT_ID, 8);
    memcpy(at + 8, DEVICE_NAME, sizeof(DEVICE_NAME) - 1);
    send(payload, (uint8_t)(at + 8 + sizeof(DEVICE_NAME) - 1 - payload));
}

static uint16_t flags(void)
{
    return (uint16_t)((trips_armed() ? FLAG_ARMED : 0u) | (motions_homed() ? FLAG_HOMED : 0u)
                      | (trips_limits_set() ? FLAG_LIMITS_SET : 0u) | (motions_busy() ? FLAG_MOVING : 0u)
                      | (sampling_on() ? FLAG_STREAMING : 0u)
                      | (chip_powered() ? FLAG_MOTOR_CURRENT : 0u));
}

static void send_state(void)
{
    const struct limits *limits = trips_limits();
    uint8_t payload[STATE_PAYLOAD], *at = payload;
    *at++ = MESSAGE_STATE;
    at = put_u16(at, boot_id);
    at = put_u16(at, flags());
    *at++ = (uint8_t)trips_cause();
    at = put_u16(at, motions_last_request());
    at = put_u32(at, motions_cycles_done());
    at = put_u32(at, (uint32_t)limits->lowest_force);
    at = put_u32(at, (uint32_t)limits->highest_force);
    at = put_u32(at, (uint32_t)limits->lowest_position);
    at = put_u32(at, (uint32_t)limits->highest_position);
    at = put_u16(at, dropped);
    at = put_u16(at, switches_all());
    at = put_u16(at, SWITCHES_FITTED);
    send(payload, (uint8_t)(at - payload));
}

static void send_abilities(void)
{
    static const uint32_t told[] = {
        (uint32_t)LOWEST_POSITION, (uint32_t)HIGHEST_POSITION, COUNT_PM, (uint32_t)LOWEST_FORCE,
        (uint32_t)HIGHEST_FORCE, CONVERTER_TOP, AMPLIFIER_PER_S * 1000u, FASTEST_COUNTS_PER_S,
        ACCELERATION_COUNTS_PER_S2, SLOWEST_STREAM_MHZ,
        SENDS_BLOCKS ? FASTEST_BLOCKS_MHZ : FASTEST_STREAM_MHZ,
    };
    uint8_t payload[ABILITIES_PAYLOAD], *at = payload;
    *at++ = MESSAGE_ABILITIES;
    for (uint8_t i = 0; i < sizeof told / sizeof *told; i++)
        at = put_u32(at, told[i]);
    *at++ = CHANNELS;
    send(payload, (uint8_t)(at - payload));
}

/* All that it can do, or with a number what one of its channels is. */
static enum result describe(uint8_t number)
{
    uint8_t payload[LONGEST_PAYLOAD];
    if (number == 0) {
        send_abilities();
        return RESULT_ACCEPTED;
    }
    uint8_t count = channels_describe(number, payload);
    if (!count)
        return RESULT_BAD_ARGUMENT;
    send(payload, count);
    return RESULT_ACCEPTED;
}

static void send_reply(enum result result, uint16_t request, int32_t value)
{
    uint8_t payload[REPLY_PAYLOAD], *at = payload;
    *at++ = MESSAGE_REPLY;
    *at++ = (uint8_t)result;
    at = put_u16(at, request);
    at = put_u32(at, (uint32_t)value);
    send(payload, (uint8_t)(at - payload));
}

static enum result take_limits(const uint8_t *body)
{
    struct limits wanted;
    wanted.lowest_force = bytes_i32(body);
    wanted.highest_force = bytes_i32(body + 4);
    wanted.lowest_position = bytes_i32(body + 8);
    wanted.highest_position = bytes_i32(body + 12);
    return trips_set_limits(&wanted);
}

static enum result start_cycles(uint16_t request, const uint8_t *body)
{
    struct cycle_order order;
    order.low = bytes_i32(body);
    order.high = bytes_i32(body + 4);
    order.counts_per_s = bytes_u32(body + 8);
    order.pause_low_ms = bytes_u16(body + 12);
    order.pause_high_ms = bytes_u16(body + 14);
    order.count = bytes_u32(body + 16);
    return motions_cycle(request, &order);
}

/* `appended` is the first byte behind the body of version 1.0, 0 if there is none. */
static enum result carry_out(uint8_t type, uint16_t request, const uint8_t *body, uint8_t appended, int32_t *value)
{
    switch (type) {
    case COMMAND_IDENTIFY:
        send_identity();
        return RESULT_ACCEPTED;
    case COMMAND_STATE:
        send_state();
        return RESULT_ACCEPTED;
    case COMMAND_DESCRIBE:
        return describe(appended);
    case COMMAND_STREAM:
        channels_wanted((appended & ACCEPTS_READINGS) && bytes_u32(body), chip_time_us());
        *value = (int32_t)sampling_rate(bytes_u32(body), (appended & ACCEPTS_BLOCKS) != 0);
        return RESULT_ACCEPTED;
    case COMMAND_ARM:
        return trips_arm(chip_time_us());
    case COMMAND_DISARM:
        trips_disarm();
        motions_halt();
        return RESULT_ACCEPTED;
    case COMMAND_HALT:
        motions_halt();
        return RESULT_ACCEPTED;
    case COMMAND_RELEASE:
        return trips_release();
    case COMMAND_CLEAR:
        return trips_clear();
    case COMMAND_LIMITS:
        return take_limits(body);
    case COMMAND_MOVE:
        return motions_move(request, bytes_i32(body), bytes_u32(body + 4));
    case COMMAND_PRESS:
        return motions_press(request, bytes_i32(body), bytes_u32(body + 4), bytes_i32(body + 8));
    case COMMAND_HOME:
        return motions_home(request, bytes_u32(body));
    case COMMAND_CYCLE:
        return start_cycles(request, body);
    default:
        return RESULT_UNKNOWN;
    }
}

static void obey(const uint8_t *payload, uint8_t count)
{
    uint8_t type = payload[0];
    if (type < FIRST_COMMAND)
        return;
    uint8_t shortest = SHORTEST_COMMAND;
    if (type <= LAST_COMMAND)
        shortest = (uint8_t)(shortest + body_bytes[type - FIRST_COMMAND]);
    if (count < shortest)
        return; /* shorter than it must be: damaged, whatever its check sum says */
    uint16_t request = bytes_u16(payload + 1);
    if (type == COMMAND_HEARTBEAT) {
        trips_beat(chip_time_us());
        return;
    }
    if (request == 0) {
        send_reply(RESULT_BAD_ARGUMENT, 0, 0);
        return;
    }
    if (request != answered) {
        answered = request;
        last_value = 0;
        uint8_t appended = count > shortest ? payload[shortest] : 0;
        last_result = carry_out(type, request, payload + SHORTEST_COMMAND, appended, &last_value);
    }
    send_reply(last_result, request, last_value);
}

/* Events first: an answer that is given now must not pass by what happened before it. */
static void send_events(void)
{
    uint8_t payload[EVENT_PAYLOAD];
    while (events_waiting() && chip_send_room() >= EVENT_PAYLOAD + 4u)
        send(payload, events_take(payload));
}

static void hear(void)
{
    for (uint8_t i = 0; i < MOST_HEARD; i++) {
        if (events_waiting() || chip_send_room() < ANSWER_ROOM)
            return;
        int16_t byte = chip_receive();
        if (byte < 0)
            return;
        uint8_t count = frame_take(&receiver, (uint8_t)byte);
        if (count)
            obey(receiver.bytes, count);
        send_events();
    }
}

static void send_samples(void)
{
    uint8_t payload[LONGEST_PAYLOAD], count;
    if ((count = channels_take(chip_time_us(), payload)) != 0 && chip_send_room() >= ANSWER_ROOM + FRAME_BYTES + count)
        send(payload, count);
    while ((count = sampling_take(chip_time_us(), payload)) != 0) {
        if (chip_send_room() >= ANSWER_ROOM + FRAME_BYTES + count)
            send(payload, count);
        else if (dropped < 0xFFFFu)
            dropped++;
    }
}

void press_begin(uint8_t reset_cause, uint8_t scale_lines)
{
    uint32_t now_us = chip_time_us();
    frame_begin(&receiver);
    dropped = answered = 0;
    boot_id = chip_next_boot_id();
    events_begin();
    switches_begin(now_us);
    quadrature_begin(scale_lines);
    steps_begin();
    trips_begin(now_us);
    motions_begin();
    sampling_begin();
    channels_begin();
    amplifier_begin(now_us);
    static const uint8_t delimiter = 0;
    chip_send(&delimiter, 1);
    events_add(EVENT_BOOT, 0, reset_cause);
    send_events();
    send_identity();
}

void press_poll(void)
{
    if (amplifier_poll())
        sampling_force_is_new();
    uint32_t now_us = chip_time_us();
    switches_poll(now_us);
    trips_poll(now_us);
    motions_poll(now_us);
    send_events();
    hear();
    send_samples();
}
