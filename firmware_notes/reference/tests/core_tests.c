/* What the core does, against the protocol's words and plain arithmetic. */
#include <string.h>

#include "../core/bytes.h"
#include "../core/chip.h"
#include "../core/frames.h"
#include "../core/protocol.h"
#include "../core/settings.h"
#include "fake_chip.h"

#define LIMIT_FORCE 100000L
#define LIMIT_POSITION 6000L
#define SPEED 2000UL
#define ABOVE 200

static uint16_t failed_at;
static uint16_t request;

#define CHECK(holds) \
    do { \
        if (!(holds)) { \
            failed_at = __LINE__; \
            return; \
        } \
    } while (0)

/* ---- the host's side */

static uint8_t ask(uint8_t type, const uint8_t *body, uint8_t count)
{
    fake_command(type, ++request, body, count);
    return fake.result;
}

static uint8_t ask_plain(uint8_t type)
{
    return ask(type, (const uint8_t *)"", 0);
}

static void beat(void)
{
    fake_command(COMMAND_HEARTBEAT, 1, (const uint8_t *)"", 0);
}

static uint8_t ask_limits(int32_t low_force, int32_t high_force, int32_t low, int32_t high)
{
    uint8_t body[16], *at = body;
    at = put_u32(at, (uint32_t)low_force);
    at = put_u32(at, (uint32_t)high_force);
    at = put_u32(at, (uint32_t)low);
    put_u32(at, (uint32_t)high);
    return ask(COMMAND_LIMITS, body, sizeof body);
}

static uint8_t usual_limits(void)
{
    return ask_limits(-LIMIT_FORCE, LIMIT_FORCE, 0, LIMIT_POSITION);
}

static uint8_t ask_move(int32_t position, uint32_t speed)
{
    uint8_t body[8];
    put_u32(put_u32(body, (uint32_t)position), speed);
    return ask(COMMAND_MOVE, body, sizeof body);
}

static uint8_t ask_press(int32_t force, uint32_t speed, int32_t farthest)
{
    uint8_t body[12];
    put_u32(put_u32(put_u32(body, (uint32_t)force), speed), (uint32_t)farthest);
    return ask(COMMAND_PRESS, body, sizeof body);
}

static uint8_t ask_home(uint32_t speed)
{
    uint8_t body[4];
    put_u32(body, speed);
    return ask(COMMAND_HOME, body, sizeof body);
}

static uint8_t ask_cycle(int32_t low, int32_t high, uint16_t pause_high_ms, uint32_t count)
{
    uint8_t body[20], *at = body;
    at = put_u32(at, (uint32_t)low);
    at = put_u32(at, (uint32_t)high);
    at = put_u32(at, SPEED);
    at = put_u16(at, 0);
    at = put_u16(at, pause_high_ms);
    put_u32(at, count);
    return ask(COMMAND_CYCLE, body, sizeof body);
}

/* Runs with heartbeats until an event has come; whether it has. */
static bool until_event(uint8_t code, uint16_t most_tenths)
{
    for (uint16_t i = 0; i < most_tenths; i++) {
        for (uint8_t k = 0; k < fake.event_count; k++)
            if (fake.events[k].code == code)
                return true;
        beat();
        fake_run_us(100000);
    }
    return false;
}

static uint8_t count_of(uint8_t code)
{
    uint8_t count = 0;
    for (uint8_t i = 0; i < fake.event_count; i++)
        count = (uint8_t)(count + (fake.events[i].code == code));
    return count;
}

static const struct fake_event *event_of(uint8_t code)
{
    for (uint8_t i = 0; i < fake.event_count; i++)
        if (fake.events[i].code == code)
            return &fake.events[i];
    return &fake.events[MOST_EVENTS - 1];
}

/* Events with a request's id other than those that may come on the way. */
static uint8_t ends_of(uint16_t id)
{
    uint8_t count = 0;
    for (uint8_t i = 0; i < fake.event_count; i++)
        if (fake.events[i].request == id && fake.events[i].code != EVENT_CYCLE_FINISHED
            && fake.events[i].code != EVENT_HOMED)
            count++;
    return count;
}

static bool ready(void)
{
    fake_boot(0, ABOVE);
    bool done = usual_limits() == RESULT_ACCEPTED && ask_plain(COMMAND_ARM) == RESULT_ACCEPTED
        && ask_home(SPEED) == RESULT_ACCEPTED && until_event(EVENT_FINISHED, 30);
    fake_forget_events();
    return done;
}

static bool moving(void)
{
    uint32_t before = fake.steps;
    fake_run_us(50000);
    return fake.steps != before;
}

/* Steps that braking from a speed takes: v^2 / 2a. */
static uint32_t braking_steps(uint32_t counts_per_s)
{
    return counts_per_s * counts_per_s / (2u * ACCELERATION_COUNTS_PER_S2) * STEPS_FOR / STEPS_COUNTS;
}

/* ---- frames */

static void the_check_sum_has_its_published_value(void)
{
    CHECK(frame_crc((const uint8_t *)"123456789", 9) == 0x29B1u);
}

static void a_frame_is_written_as_in_the_worked_example(void)
{
    static const uint8_t payload[] = {0x41, 0x07, 0x00, 0x20, 0xA1, 0x07, 0x00};
    static const uint8_t expected[] = {0x03, 0x41, 0x07, 0x04, 0x20, 0xA1, 0x07, 0x03, 0x77, 0x78, 0x00};
    uint8_t wire[LONGEST_FRAME + 1];
    CHECK(frame_encode(payload, sizeof payload, wire) == sizeof expected);
    CHECK(memcmp(wire, expected, sizeof expected) == 0);
}

static void any_payload_comes_back_from_its_frame(void)
{
    struct frame_receiver receiver;
    frame_begin(&receiver);
    uint8_t payload[LONGEST_PAYLOAD], wire[LONGEST_FRAME + 1];
    for (uint8_t length = 1; length <= LONGEST_PAYLOAD; length++) {
        for (uint8_t i = 0; i < length; i++)
            payload[i] = (uint8_t)(i % 5u ? i * length : 0u);
        uint8_t count = frame_encode(payload, length, wire), got = 0;
        CHECK(count <= LONGEST_FRAME + 1);
        for (uint8_t i = 0; i < count; i++)
            got = frame_take(&receiver, wire[i]);
        CHECK(got == length && memcmp(receiver.bytes, payload, length) == 0);
    }
    CHECK(receiver.damaged == 0);
}

static void a_flipped_bit_costs_its_frame_and_no_other(void)
{
    static const uint8_t payload[] = {0x4C, 1, 0};
    struct frame_receiver receiver;
    frame_begin(&receiver);
    uint8_t wire[LONGEST_FRAME + 1], count = frame_encode(payload, sizeof payload, wire);
    for (uint8_t bit = 0; bit < 8u * (count - 1u); bit++) {
        uint8_t got = 0;
        wire[bit / 8] ^= (uint8_t)(1u << bit % 8);
        for (uint8_t i = 0; i < count; i++)
            CHECK(frame_take(&receiver, wire[i]) == 0);
        wire[bit / 8] ^= (uint8_t)(1u << bit % 8);
        for (uint8_t i = 0; i < count; i++)
            got = frame_take(&receiver, wire[i]);
        CHECK(got == sizeof payload);
    }
}

static void a_frame_that_is_too_long_counts_once(void)
{
    struct frame_receiver receiver;
    frame_begin(&receiver);
    for (uint8_t i = 0; i < 200; i++)
        CHECK(frame_take(&receiver, 7) == 0);
    CHECK(frame_take(&receiver, 0) == 0 && receiver.damaged == 1);
    CHECK(frame_take(&receiver, 0) == 0 && receiver.damaged == 1);
}

/* ---- conversation */

static void a_boot_says_its_cause_and_who_it_is_and_then_nothing(void)
{
    fake_boot(0, ABOVE);
    fake_run_us(200000);
    CHECK(fake.event_count == 1 && fake.events[0].code == EVENT_BOOT && fake.events[0].value == 4);
    CHECK(fake.identities == 1 && fake.samples == 0 && fake.replies == 0);
}

static void identity_comes_before_its_reply(void)
{
    fake_boot(0, ABOVE);
    CHECK(ask_plain(COMMAND_IDENTIFY) == RESULT_ACCEPTED);
    CHECK(fake.identities == 2 && fake.replies == 1 && fake.reply_request == request);
}

static void a_repeated_request_is_answered_again_and_done_once(void)
{
    fake_boot(0, ABOVE);
    fake_command(COMMAND_IDENTIFY, 77, (const uint8_t *)"", 0);
    fake_command(COMMAND_IDENTIFY, 77, (const uint8_t *)"", 0);
    CHECK(fake.replies == 2 && fake.identities == 2 && fake.reply_request == 77);
}

static void an_unknown_command_is_refused_as_unknown(void)
{
    fake_boot(0, ABOVE);
    CHECK(ask_plain(0x7F) == RESULT_UNKNOWN);
}

static void a_body_may_be_longer_and_not_shorter(void)
{
    fake_boot(0, ABOVE);
    uint8_t body[5] = {0x20, 0xA1, 0x07, 0x00, 99};
    CHECK(ask(COMMAND_STREAM, body, 5) == RESULT_ACCEPTED && fake.reply_value == 500000);
    ask(COMMAND_STREAM, body, 3);
    CHECK(fake.replies == 1);
}

static void a_request_without_a_number_is_a_bad_argument(void)
{
    fake_boot(0, ABOVE);
    fake_command(COMMAND_STATE, 0, (const uint8_t *)"", 0);
    CHECK(fake.result == RESULT_BAD_ARGUMENT && fake.states == 0);
}

static void samples_come_at_the_granted_rate_with_their_numbers(void)
{
    fake_boot(0, ABOVE);
    uint8_t body[4];
    put_u32(body, 100000);
    CHECK(ask(COMMAND_STREAM, body, 4) == RESULT_ACCEPTED && fake.reply_value == 100000);
    fake_run_us(1000000 - 5000);
    CHECK(fake.samples >= 98 && fake.samples <= 101);
    CHECK(bytes_u16(fake.sample + 2) == fake.samples - 1u);
    put_u32(body, 0);
    CHECK(ask(COMMAND_STREAM, body, 4) == RESULT_ACCEPTED && fake.reply_value == 0);
    uint8_t before = fake.samples;
    fake_run_us(100000);
    CHECK(fake.samples == before);
}

static void rates_that_cannot_be_had_are_brought_into_range(void)
{
    fake_boot(0, ABOVE);
    uint8_t body[4];
    put_u32(body, 9000000);
    CHECK(ask(COMMAND_STREAM, body, 4) == RESULT_ACCEPTED && fake.reply_value == (int32_t)FASTEST_STREAM_MHZ);
    put_u32(body, 1);
    CHECK(ask(COMMAND_STREAM, body, 4) == RESULT_ACCEPTED && fake.reply_value == (int32_t)SLOWEST_STREAM_MHZ);
}

static void slow_streams_are_granted_as_they_are_sent(void)
{
    fake_boot(0, ABOVE);
    uint8_t body[4];
    put_u32(body, 100);
    CHECK(ask(COMMAND_STREAM, body, 4) == RESULT_ACCEPTED && fake.reply_value == 100);
    fake_run_us(25000000);
    CHECK(fake.samples == 2);
    /* 0.7/s is no whole number of ticks, and 700 to the nearest mHz */
    put_u32(body, 700);
    CHECK(ask(COMMAND_STREAM, body, 4) == RESULT_ACCEPTED && fake.reply_value == 700);
    /* 2000000 ticks by 6667 is 299.985 */
    put_u32(body, 300000);
    CHECK(ask(COMMAND_STREAM, body, 4) == RESULT_ACCEPTED && fake.reply_value == 299985);
}

static void it_says_what_it_can_do_and_keeps_to_it(void)
{
    fake_boot(0, ABOVE);
    CHECK(ask_plain(COMMAND_DESCRIBE) == RESULT_ACCEPTED && fake.abilities == 1 && fake.replies == 1);
    const uint8_t *told = fake.block + 1;
    int32_t low = bytes_i32(told), high = bytes_i32(told + 4);
    int32_t least = bytes_i32(told + 12), most = bytes_i32(told + 16);
    CHECK(bytes_u32(told + 8) == 5000000UL);
    CHECK(bytes_u32(told + 20) == 8388607UL && bytes_u32(told + 24) == 80000UL);
    CHECK(bytes_u32(told + 28) == 3000UL && bytes_u32(told + 32) == 40000UL && bytes_u32(told + 36) == 100UL);
    CHECK(ask_limits(least, most, low, high) == RESULT_ACCEPTED);
    CHECK(ask_limits(least, most + 1, low, high) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_limits(least - 1, most, low, high) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_limits(least, most, low - 1, high) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_limits(least, most, low, high + 1) == RESULT_OUTSIDE_LIMITS);
}

static void channels_are_described_and_read_by_those_that_ask(void)
{
    fake_boot(0, ABOVE);
    uint8_t body[5] = {1};
    CHECK(ask(COMMAND_DESCRIBE, body, 1) == RESULT_ACCEPTED && fake.channels == 1 && fake.block[1] == 1);
    CHECK(fake.block[2] == CHANNEL_SLOW && memcmp(fake.block + 3, "degC\0\0\0\0", 8) == 0);
    CHECK(bytes_i32(fake.block + 11) == 1 && fake.block[15] == 0xFE && bytes_i32(fake.block + 16) == 0);
    CHECK(memcmp(fake.block + 20, "ambient_temperature", 19) == 0);
    body[0] = CHANNELS + 1;
    CHECK(ask(COMMAND_DESCRIBE, body, 1) == RESULT_BAD_ARGUMENT && fake.channels == 1);
    fake.channel[0] = 2150;
    fake.channel[1] = NO_READING;
    put_u32(body, 10000);
    body[4] = 0;
    CHECK(ask(COMMAND_STREAM, body, 5) == RESULT_ACCEPTED);
    fake_run_us(1000000);
    CHECK(fake.readings == 0);
    body[4] = ACCEPTS_READINGS;
    CHECK(ask(COMMAND_STREAM, body, 5) == RESULT_ACCEPTED);
    fake_run_us(1000000);
    CHECK(fake.readings >= 9 && fake.readings <= 10);
    CHECK(fake.block[5] == 1 && bytes_i32(fake.block + 6) == 2150 && bytes_i32(fake.block + 10) == NO_READING);
    put_u32(body, 0);
    CHECK(ask(COMMAND_STREAM, body, 5) == RESULT_ACCEPTED);
    uint8_t before = fake.readings;
    fake_run_us(1000000);
    CHECK(fake.readings == before);
}

static void each_conversion_is_new_in_one_sample(void)
{
    fake_boot(0, ABOVE);
    uint8_t body[4], fresh = 0, last = 0;
    put_u32(body, 500000);
    ask(COMMAND_STREAM, body, 4);
    uint32_t before_us = 0;
    for (uint16_t i = 0; i < 2000; i++) {
        fake_run_us(500);
        if (fake.samples == last)
            continue;
        last = fake.samples;
        uint32_t time_us = bytes_u32(fake.sample + 4);
        /* 2 ms apart, give or take the half period that a conversion may move one */
        CHECK(!before_us || (time_us - before_us >= 1000 && time_us - before_us <= 3000));
        before_us = time_us;
        if (fake.sample[1] & STATUS_FRESH_FORCE) {
            fresh++;
            CHECK(time_us % (1000000u / AMPLIFIER_PER_S) == 0);
        }
    }
    CHECK(fresh >= AMPLIFIER_PER_S - 1u && fresh <= AMPLIFIER_PER_S + 1u);
}

/* A second of blocks at the highest rate: every number once, times even, each conversion at its own instant. A chip
 * that sends none goes on with single samples. */
static void blocks_hold_every_sample_at_its_time(void)
{
    fake_boot(0, ABOVE);
    uint8_t body[5] = {0}, seen = 0, fresh = 0, longest = 0;
    uint16_t next = 0;
    put_u32(body, 9000000);
    body[4] = ACCEPTS_BLOCKS;
    CHECK(ask(COMMAND_STREAM, body, 5) == RESULT_ACCEPTED && fake.reply_value == (int32_t)FASTEST_BLOCKS_MHZ);
    if (!SENDS_BLOCKS) {
        fake_run_us(100000);
        CHECK(fake.samples >= 48 && fake.blocks == 0);
        return;
    }
    for (uint16_t i = 0; i < 2000; i++) {
        fake_run_us(500);
        if (fake.blocks == seen)
            continue;
        /* never two of them between two looks */
        CHECK(++seen == fake.blocks && (fake.block_bytes - 14) % 5 == 0);
        uint8_t count = (uint8_t)((fake.block_bytes - 14) / 5);
        uint16_t first = bytes_u16(fake.block + 2), span_us = bytes_u16(fake.block + 8);
        CHECK(first == next && count >= 1 && count <= 10);
        next = (uint16_t)(first + count);
        longest = count > longest ? count : longest;
        CHECK(span_us + 11u >= (count - 1u) * 500u && span_us <= (count - 1u) * 500u + 11u);
        if (fake.block[1] & STATUS_FRESH_FORCE) {
            fresh = (uint8_t)(fresh + count);
            CHECK(bytes_u32(fake.block + 4) % (1000000u / AMPLIFIER_PER_S) == 0);
        }
    }
    /* 24 samples lie between two conversions, so that none waits for longer than ten take */
    CHECK(longest == 10 && next >= 1980 && fake.samples == 0);
    CHECK(fresh >= AMPLIFIER_PER_S - 2u && fresh <= AMPLIFIER_PER_S + 1u);
}

static void slower_streams_and_older_hosts_get_samples_one_by_one(void)
{
    fake_boot(0, ABOVE);
    uint8_t body[5] = {0};
    put_u32(body, 9000000);
    ask(COMMAND_STREAM, body, 4);
    fake_run_us(100000);
    CHECK(fake.samples >= 48 && fake.blocks == 0);
    put_u32(body, 400000);
    body[4] = ACCEPTS_BLOCKS;
    ask(COMMAND_STREAM, body, 5);
    fake_run_us(100000);
    CHECK(fake.samples >= 86 && fake.blocks == 0);
}

static void a_full_line_drops_samples_and_counts_them(void)
{
    fake_boot(0, ABOVE);
    uint8_t body[4];
    put_u32(body, 100000);
    ask(COMMAND_STREAM, body, 4);
    uint8_t before = fake.samples;
    fake.room = 0;
    fake_run_us(500000);
    CHECK(fake.samples == before && fake.damaged == 0);
    fake.room = 255;
    ask_plain(COMMAND_STATE);
    uint16_t dropped = bytes_u16(fake.state + 28);
    CHECK(dropped >= 48 && dropped <= 51);
}

/* ---- arming and refusals */

static void nothing_moves_before_limits_arming_and_homing(void)
{
    fake_boot(0, ABOVE);
    CHECK(ask_move(100, SPEED) == RESULT_LIMITS_NOT_SET);
    CHECK(usual_limits() == RESULT_ACCEPTED);
    CHECK(ask_move(100, SPEED) == RESULT_NOT_ARMED);
    CHECK(ask_plain(COMMAND_ARM) == RESULT_ACCEPTED);
    CHECK(ask_move(100, SPEED) == RESULT_NOT_HOMED);
    CHECK(ask_press(1000, SPEED, 300) == RESULT_NOT_HOMED);
    CHECK(ask_cycle(0, 100, 0, 1) == RESULT_NOT_HOMED);
    CHECK(!moving() && fake.steps == 0);
}

static void limits_may_narrow_those_built_in_and_not_widen_them(void)
{
    fake_boot(0, ABOVE);
    CHECK(ask_limits(5, 5, 0, 100) == RESULT_BAD_ARGUMENT);
    CHECK(ask_limits(-5, 5, 100, 100) == RESULT_BAD_ARGUMENT);
    CHECK(ask_limits(-5, HIGHEST_FORCE + 1, 0, 100) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_limits(-5, 5, LOWEST_POSITION - 1, 100) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_limits(LOWEST_FORCE, HIGHEST_FORCE, LOWEST_POSITION, HIGHEST_POSITION) == RESULT_ACCEPTED);
    CHECK(ask_limits(-7, 8, -9, 10) == RESULT_ACCEPTED);
    ask_plain(COMMAND_STATE);
    CHECK(bytes_i32(fake.state + 12) == -7 && bytes_i32(fake.state + 16) == 8);
    CHECK(bytes_i32(fake.state + 20) == -9 && bytes_i32(fake.state + 24) == 10);
}

static void motions_that_make_no_sense_are_refused(void)
{
    CHECK(ready());
    CHECK(ask_move(100, 0) == RESULT_BAD_ARGUMENT);
    CHECK(ask_move(100, FASTEST_COUNTS_PER_S + 1) == RESULT_BAD_ARGUMENT);
    CHECK(ask_move(LIMIT_POSITION + 1, SPEED) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_move(-1, SPEED) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_move((int32_t)0x80000000, SPEED) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_move(0x7FFFFFFF, SPEED) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_press(LIMIT_FORCE + 1, SPEED, 300) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_press(LIMIT_FORCE, SPEED, LIMIT_POSITION + 1) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_press(LIMIT_FORCE, SPEED, -1) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_cycle(100, 100, 0, 1) == RESULT_BAD_ARGUMENT);
    CHECK(ask_cycle(0, 100, 0, 0) == RESULT_BAD_ARGUMENT);
    CHECK(ask_cycle(0, LIMIT_POSITION + 1, 0, 1) == RESULT_OUTSIDE_LIMITS);
    CHECK(!moving());
}

static void a_second_motion_is_busy(void)
{
    CHECK(ready());
    CHECK(ask_move(3000, SPEED) == RESULT_ACCEPTED);
    CHECK(ask_move(100, SPEED) == RESULT_BUSY);
    CHECK(until_event(EVENT_FINISHED, 40) && ends_of((uint16_t)(request - 1u)) == 1);
}

static void an_open_stop_at_boot_forbids_arming(void)
{
    fake_boot(0, ABOVE);
    fake.open = SWITCH_STOP;
    fake_run_us(10000);
    CHECK(count_of(EVENT_STOP_OPENED) == 1);
    usual_limits();
    CHECK(ask_plain(COMMAND_ARM) == RESULT_STOP_LATCHED);
    CHECK(ask_plain(COMMAND_CLEAR) == RESULT_STOP_LATCHED);
    fake.open = 0;
    fake_run_us(10000);
    CHECK(count_of(EVENT_STOP_CLOSED) == 1);
    CHECK(ask_plain(COMMAND_ARM) == RESULT_STOP_LATCHED);
    CHECK(ask_plain(COMMAND_CLEAR) == RESULT_ACCEPTED && ask_plain(COMMAND_ARM) == RESULT_ACCEPTED);
}

/* ---- motions */

static void homing_puts_zero_where_the_switch_lets_go(void)
{
    fake_boot(0, ABOVE);
    usual_limits();
    ask_plain(COMMAND_ARM);
    CHECK(ask_home(SPEED) == RESULT_ACCEPTED);
    CHECK(until_event(EVENT_FINISHED, 30) && ends_of(request) == 1);
    /* the counter began at 0, ABOVE counts over the switch; its debouncing takes less than a count at this speed */
    const struct fake_event *homed = event_of(EVENT_HOMED);
    CHECK(homed->request == request && homed->value >= -ABOVE && homed->value <= -ABOVE + 2);
    CHECK(event_of(EVENT_FINISHED)->value >= 0 && event_of(EVENT_FINISHED)->value <= 2);
    ask_plain(COMMAND_STATE);
    CHECK(fake.state[3] & FLAG_HOMED);
}

static void a_home_switch_that_never_comes_is_a_travel_trip(void)
{
    fake_boot(0, HIGHEST_POSITION);
    usual_limits();
    ask_plain(COMMAND_ARM);
    fake.place = 100000000L;
    CHECK(ask_home(FASTEST_COUNTS_PER_S) == RESULT_ACCEPTED);
    CHECK(until_event(EVENT_TRAVEL_TRIP, 110));
    /* HOMING_COUNTS, a tenth more than the travel */
    CHECK(fake.steps == (uint32_t)(HOMING_COUNTS * STEPS_FOR / STEPS_COUNTS));
}

static void a_move_ends_on_its_count_and_keeps_its_speed(void)
{
    CHECK(ready());
    fake.shortest_ticks = 0xFFFFFFFFUL;
    CHECK(ask_move(4000, FASTEST_COUNTS_PER_S) == RESULT_ACCEPTED);
    CHECK(until_event(EVENT_FINISHED, 40));
    int32_t off = event_of(EVENT_FINISHED)->value - 4000;
    CHECK(off >= -1 && off <= 1);
    CHECK(fake.shortest_ticks == TICKS_PER_S / (FASTEST_COUNTS_PER_S * STEPS_FOR / STEPS_COUNTS));
}

static void a_move_takes_the_time_that_its_speed_and_acceleration_say(void)
{
    CHECK(ready());
    uint32_t began_us = chip_time_us();
    int32_t from = fake.place * STEPS_COUNTS / STEPS_FOR;
    CHECK(ask_move(4000, 3000) == RESULT_ACCEPTED);
    CHECK(until_event(EVENT_FINISHED, 40));
    /* s/v + v/a: 4000/3000 s + 3000/40000 s */
    int32_t expected_us = (4000 - from) * 1000 / 3 + 75000;
    int32_t took_us = (int32_t)(event_of(EVENT_FINISHED)->time_us - began_us);
    CHECK(took_us - expected_us < 12000 && took_us - expected_us > -12000);
}

static void a_press_stops_when_its_force_is_felt(void)
{
    CHECK(ready());
    fake.contact = 1000;
    fake.force_per_count = 100;
    CHECK(ask_press(50000, 400, 3000) == RESULT_ACCEPTED);
    CHECK(until_event(EVENT_FINISHED, 60) && ends_of(request) == 1);
    /* 50 000 at 1500 counts; at 400 counts/s a conversion is 5 counts, a turn of the loop 0.2, braking 2 */
    int32_t position = event_of(EVENT_FINISHED)->value;
    CHECK(position >= 1500 && position <= 1509);
}

static void a_press_that_meets_nothing_ends_at_its_limit_with_the_force(void)
{
    CHECK(ready());
    fake.set_force = 321;
    CHECK(ask_press(50000, SPEED, 1200) == RESULT_ACCEPTED);
    CHECK(until_event(EVENT_POSITION_LIMIT, 40) && ends_of(request) == 1);
    int32_t force = event_of(EVENT_POSITION_LIMIT)->value;
    CHECK((force == 321 || force == 322) && fake.place >= 2398 && fake.place <= 2402);
}

static void cycles_are_counted_and_ended_by_one_event(void)
{
    CHECK(ready());
    CHECK(ask_cycle(300, 800, 50, 3) == RESULT_ACCEPTED);
    CHECK(until_event(EVENT_FINISHED, 60) && ends_of(request) == 1);
    CHECK(count_of(EVENT_CYCLE_FINISHED) == 3 && event_of(EVENT_CYCLE_FINISHED)->value == 1);
    ask_plain(COMMAND_STATE);
    CHECK(bytes_u32(fake.state + 8) == 3);
}

static void a_halt_brakes_within_its_steps_and_stays_armed(void)
{
    CHECK(ready());
    CHECK(ask_move(5000, 3000) == RESULT_ACCEPTED);
    fake_run_us(300000);
    uint32_t before = fake.steps;
    CHECK(ask_plain(COMMAND_HALT) == RESULT_ACCEPTED);
    CHECK(until_event(EVENT_HALTED, 5));
    /* a turn of the loop is up to 3 steps at 6000 a second, hearing takes two of them */
    CHECK(fake.steps - before <= braking_steps(3000) + 12u);
    CHECK(!moving() && ask_move(100, SPEED) == RESULT_ACCEPTED);
}

static void disarming_halts_and_forbids(void)
{
    CHECK(ready());
    CHECK(ask_move(5000, SPEED) == RESULT_ACCEPTED);
    CHECK(ask_plain(COMMAND_DISARM) == RESULT_ACCEPTED);
    CHECK(until_event(EVENT_HALTED, 5) && ends_of((uint16_t)(request - 1u)) == 1);
    CHECK(ask_move(100, SPEED) == RESULT_NOT_ARMED && !moving());
}

static void a_run_begins_with_interrupts_held_off(void)
{
    /* a step that came between would find half of a run */
    CHECK(ready());
    CHECK(ask_move(2000, SPEED) == RESULT_ACCEPTED);
    fake_run_us(100000);
    CHECK(fake.steps > 0 && fake.begun_unlocked == 0);
}

static void slow_speeds_are_kept(void)
{
    CHECK(ready());
    uint32_t before = fake.steps;
    CHECK(ask_move(3000, 5) == RESULT_ACCEPTED);
    for (uint8_t i = 0; i < 20; i++) {
        beat();
        fake_run_us(200000);
    }
    /* 5 counts/s are 10 steps/s, 4 s long */
    CHECK(fake.steps - before >= 39 && fake.steps - before <= 42);
}

/* ---- trips */

/* A press at full speed that a trip of this code ends; steps after `happens` are counted. */
static bool trips(uint8_t code, void (*happens)(void), uint32_t most_steps)
{
    if (ask_move(5500, 3000) != RESULT_ACCEPTED)
        return false;
    uint16_t motion = request;
    fake_run_us(400000);
    beat();
    happens();
    uint32_t before = fake.steps;
    fake_run_us(400000);
    uint32_t taken = fake.steps - before;
    bool stopped = !moving() && taken <= most_steps && taken >= braking_steps(3000) / 2u;
    return stopped && count_of(code) == 1 && ends_of(motion) == 1 && event_of(code)->request == motion
        && ask_move(100, SPEED) == RESULT_STOP_LATCHED && ask_plain(COMMAND_ARM) == RESULT_STOP_LATCHED;
}

static void open_stop(void)
{
    fake.open |= SWITCH_STOP;
}

static void open_upper(void)
{
    fake.open |= SWITCH_UPPER;
}

static void silence(void)
{
    fake.silent = true;
}

static void short_data_line(void)
{
    fake.stuck = true;
}

static void saturate(void)
{
    fake.set_force = 0x7FFFFF;
}

static void stall(void)
{
    fake.stalled = true;
}

static void raise_force(void)
{
    fake.set_force = LIMIT_FORCE + 1;
}

static void pull(void)
{
    fake.set_force = -LIMIT_FORCE - 1;
}

/* At 3000 counts/s: 6 steps in a millisecond; braking takes v^2/2a = 225 steps, and the whole intervals of a ramp
 * may make it 3 % more. A switch is debounced for 2 ms and looked at each
 * half millisecond; a conversion takes 12.5 ms, three of them and a tenth 41 ms. */

#define BRAKING 232u

static void the_emergency_stop_stops(void)
{
    CHECK(ready() && trips(EVENT_STOP_OPENED, open_stop, BRAKING + 20u));
}

static void a_contact_that_chatters_for_a_millisecond_stops_nothing(void)
{
    CHECK(ready() && ask_move(3000, SPEED) == RESULT_ACCEPTED);
    for (uint8_t i = 0; i < 5; i++) {
        fake.open = SWITCH_STOP | SWITCH_UPPER;
        fake_run_us(1000);
        fake.open = 0;
        fake_run_us(1000);
    }
    CHECK(until_event(EVENT_FINISHED, 30) && fake.event_count == 1);
}

static void a_trip_disarms(void)
{
    CHECK(ready());
    open_stop();
    fake_run_us(10000);
    fake.open = 0;
    fake_run_us(10000);
    CHECK(ask_plain(COMMAND_CLEAR) == RESULT_ACCEPTED && ask_move(100, SPEED) == RESULT_NOT_ARMED);
}

static void the_travel_switch_stops(void)
{
    CHECK(ready() && trips(EVENT_TRAVEL_TRIP, open_upper, BRAKING + 20u));
}

static void a_silent_converter_stops(void)
{
    CHECK(ready() && trips(EVENT_FORCE_SILENT, silence, BRAKING + 6u * 42u));
}

static void a_data_line_that_stays_low_is_silence(void)
{
    CHECK(ready() && trips(EVENT_FORCE_SILENT, short_data_line, BRAKING + 6u * 42u));
}

static void a_saturated_converter_stops(void)
{
    CHECK(ready() && trips(EVENT_FORCE_SILENT, saturate, BRAKING + 6u * 14u));
}

static void freeze(void)
{
    fake.frozen = true;
}

static void a_frozen_converter_stops_and_says_so(void)
{
    /* eight equal conversions, the first of which may have come before */
    CHECK(ready() && trips(EVENT_FORCE_SILENT, freeze, BRAKING + 6u * 8u * 13u));
    CHECK(event_of(EVENT_FORCE_SILENT)->value == FORCE_FROZEN);
}

static bool trips_standing(uint8_t code, void (*cause)(void))
{
    uint32_t steps = fake.steps;
    cause();
    for (uint8_t i = 0; i < 3; i++) {
        beat();
        fake_run_us(100000);
    }
    return count_of(code) == 1 && fake.steps == steps && ask_move(100, SPEED) == RESULT_STOP_LATCHED;
}

static void shove_up(void)
{
    /* edge by edge, as a scale shows it */
    for (uint8_t i = 0; i < 100; i++) {
        fake.place++;
        fake_show_scale();
    }
}

static void shove_down(void)
{
    for (uint8_t i = 0; i < 100; i++) {
        fake.place--;
        fake_show_scale();
    }
}

static void an_armed_platen_at_rest_is_watched(void)
{
    CHECK(ready() && trips_standing(EVENT_FORCE_TRIP, raise_force));
    fake.set_force = 0;
    CHECK(ready() && trips_standing(EVENT_FORCE_TRIP, pull));
    fake.set_force = 0;
    CHECK(ready() && trips_standing(EVENT_FORCE_SILENT, freeze));
    fake.frozen = false;
    CHECK(ready() && trips_standing(EVENT_TRAVEL_TRIP, open_upper));
    fake.open = 0;
    /* 50 counts: more than FOLLOWING_COUNTS */
    CHECK(ready() && ask_move(1000, SPEED) == RESULT_ACCEPTED && until_event(EVENT_FINISHED, 30));
    CHECK(trips_standing(EVENT_STALLED, shove_up));
    CHECK(ready() && ask_move(1000, SPEED) == RESULT_ACCEPTED && until_event(EVENT_FINISHED, 30));
    CHECK(trips_standing(EVENT_STALLED, shove_down));
}

static void either_switch_stops_either_way(void)
{
    CHECK(ready() && ask_move(3000, SPEED) == RESULT_ACCEPTED && until_event(EVENT_FINISHED, 30));
    CHECK(ask_move(1000, SPEED) == RESULT_ACCEPTED);
    fake_run_us(200000);
    open_upper();
    fake_run_us(200000);
    CHECK(count_of(EVENT_TRAVEL_TRIP) == 1 && !moving());
    fake.open = 0;
    CHECK(ready() && ask_move(3000, SPEED) == RESULT_ACCEPTED);
    beat();
    fake_run_us(300000);
    fake.open = SWITCH_HOME;
    fake_run_us(200000);
    CHECK(count_of(EVENT_TRAVEL_TRIP) == 1 && !moving());
    fake.open = 0;
}

static void a_home_switch_unplugged_moves_the_platen_by_no_more_than_leaving_takes(void)
{
    fake_boot(0, 2000);
    usual_limits();
    fake.open = SWITCH_HOME;
    fake_run_us(10000);
    ask_plain(COMMAND_ARM);
    int32_t from = fake.place;
    CHECK(ask_home(FASTEST_COUNTS_PER_S) == RESULT_ACCEPTED);
    CHECK(until_event(EVENT_STALLED, 60));
    CHECK(fake.place - from <= LEAVING_COUNTS * STEPS_FOR / STEPS_COUNTS);
    fake.open = 0;
}

static void homing_stops_at_the_upper_switch_whatever_its_way(void)
{
    fake_boot(0, 2000);
    usual_limits();
    ask_plain(COMMAND_ARM);
    CHECK(ask_home(SPEED) == RESULT_ACCEPTED);
    fake_run_us(300000);
    uint32_t steps = fake.steps;
    open_upper();
    CHECK(until_event(EVENT_TRAVEL_TRIP, 10) && fake.steps - steps <= BRAKING + 20u);
    fake.open = 0;
}

static void homing_stops_where_the_force_grows(void)
{
    fake_boot(0, 2000);
    usual_limits();
    ask_plain(COMMAND_ARM);
    CHECK(ask_home(SPEED) == RESULT_ACCEPTED);
    fake_run_us(300000);
    fake.set_force = WORSE_FORCE + 10;
    CHECK(until_event(EVENT_FORCE_TRIP, 10));
    fake.set_force = 0;
}

static void homing_is_refused_beyond_a_force_limit_and_with_both_switches_open(void)
{
    fake_boot(0, 2000);
    usual_limits();
    raise_force();
    fake_run_us(30000);
    ask_plain(COMMAND_ARM);
    CHECK(ask_home(SPEED) == RESULT_OUTSIDE_LIMITS);
    pull();
    fake_run_us(30000);
    ask_plain(COMMAND_CLEAR);
    ask_plain(COMMAND_ARM);
    CHECK(ask_home(SPEED) == RESULT_OUTSIDE_LIMITS);
    fake.set_force = 0;
    fake_run_us(30000);
    ask_plain(COMMAND_CLEAR);
    fake.open = SWITCH_HOME | SWITCH_UPPER;
    fake_run_us(10000);
    ask_plain(COMMAND_ARM);
    CHECK(ask_home(SPEED) == RESULT_OUTSIDE_LIMITS && fake.steps == 0);
    fake.open = 0;
}

static void a_stall_stops(void)
{
    /* 40 counts of following error are 80 steps */
    CHECK(ready() && trips(EVENT_STALLED, stall, BRAKING + 80 + 12));
}

static void a_torn_scale_stops_and_needs_homing(void)
{
    CHECK(ready() && trips(EVENT_POSITION_FAULT, fake_tear_scale, BRAKING + 12u));
    CHECK(ask_plain(COMMAND_CLEAR) == RESULT_ACCEPTED && ask_plain(COMMAND_ARM) == RESULT_ACCEPTED);
    CHECK(ask_move(100, SPEED) == RESULT_NOT_HOMED && ask_home(SPEED) == RESULT_ACCEPTED);
}

static void a_force_above_its_limit_stops(void)
{
    CHECK(ready() && trips(EVENT_FORCE_TRIP, raise_force, BRAKING + 6u * 14u));
    int32_t beyond = event_of(EVENT_FORCE_TRIP)->value - LIMIT_FORCE;
    CHECK(beyond == 1 || beyond == 2); /* with the fake's noise of a count */
}

static void a_pull_below_its_limit_stops(void)
{
    CHECK(ready() && trips(EVENT_FORCE_TRIP, pull, BRAKING + 6u * 14u));
}

static void a_lost_heartbeat_stops_in_its_time(void)
{
    CHECK(ready());
    beat();
    uint32_t beat_us = chip_time_us();
    CHECK(ask_move(5500, 1000) == RESULT_ACCEPTED);
    fake_run_us(700000);
    CHECK(count_of(EVENT_HEARTBEAT_LOST) == 1);
    uint32_t after_us = event_of(EVENT_HEARTBEAT_LOST)->time_us - beat_us;
    CHECK(after_us >= 499000 && after_us <= 550000 && !moving());
}

static void only_heartbeats_count_as_heartbeats(void)
{
    CHECK(ready());
    uint32_t since_us = chip_time_us();
    for (uint8_t i = 0; i < 6; i++) {
        fake_run_us(100000);
        ask_plain(COMMAND_STATE);
    }
    CHECK(count_of(EVENT_HEARTBEAT_LOST) == 1);
    CHECK(event_of(EVENT_HEARTBEAT_LOST)->time_us - since_us <= 550000);
}

static void heartbeats_are_not_answered(void)
{
    CHECK(ready());
    uint8_t replies = fake.replies;
    beat();
    CHECK(fake.replies == replies);
}

static void a_force_that_passes_its_limit_in_a_pause_trips(void)
{
    CHECK(ready());
    CHECK(ask_cycle(300, 800, 5000, 3) == RESULT_ACCEPTED);
    uint16_t motion = request;
    for (uint8_t i = 0; i < 10; i++) {
        beat();
        fake_run_us(100000);
    }
    CHECK(!moving());
    fake.set_force = LIMIT_FORCE + 1;
    beat();
    fake_run_us(30000);
    CHECK(count_of(EVENT_FORCE_TRIP) == 1 && ends_of(motion) == 1);
}

static void heartbeats_across_the_clocks_wrap_are_counted_right(void)
{
    /* the clock wraps 3 s after this boot */
    fake_boot(0xFFFFFFFFu - 3000000u, ABOVE);
    usual_limits();
    ask_plain(COMMAND_ARM);
    for (uint8_t i = 0; i < 40; i++) {
        beat();
        fake_run_us(100000);
    }
    CHECK(chip_time_us() < 0x80000000u);
    CHECK(count_of(EVENT_HEARTBEAT_LOST) == 0 && count_of(EVENT_FORCE_SILENT) == 0);
    fake_run_us(600000);
    CHECK(count_of(EVENT_HEARTBEAT_LOST) == 1);
}

static void a_passed_position_limit_stops(void)
{
    CHECK(ready() && ask_move(5000, 3000) == RESULT_ACCEPTED);
    fake_run_us(400000);
    beat();
    CHECK(ask_limits(-LIMIT_FORCE, LIMIT_FORCE, 0, 500) == RESULT_ACCEPTED);
    fake_run_us(300000);
    CHECK(count_of(EVENT_TRAVEL_TRIP) == 1 && !moving());
    CHECK(ask_plain(COMMAND_CLEAR) == RESULT_ACCEPTED && ask_plain(COMMAND_ARM) == RESULT_ACCEPTED);
    int32_t here = fake.place * STEPS_COUNTS / STEPS_FOR;
    CHECK(ask_move(here + 20, SPEED) == RESULT_OUTSIDE_LIMITS && ask_move(here - 100, SPEED) == RESULT_ACCEPTED);
    CHECK(until_event(EVENT_FINISHED, 20));
}

static void after_a_force_trip_only_retreat_is_accepted(void)
{
    CHECK(ready());
    fake.contact = 1000;
    fake.force_per_count = 200;
    CHECK(ask_move(5000, SPEED) == RESULT_ACCEPTED && until_event(EVENT_FORCE_TRIP, 20));
    fake_run_us(60000);
    CHECK(ask_plain(COMMAND_CLEAR) == RESULT_ACCEPTED && ask_plain(COMMAND_ARM) == RESULT_ACCEPTED);
    fake_forget_events();
    int32_t here = fake.place * STEPS_COUNTS / STEPS_FOR;
    CHECK(ask_move(here + 20, 200) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_press(1000, 200, here + 20) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_cycle(100, here, 0, 1) == RESULT_OUTSIDE_LIMITS);
    CHECK(ask_move(800, 200) == RESULT_ACCEPTED && until_event(EVENT_FINISHED, 60));
    CHECK(count_of(EVENT_FORCE_TRIP) == 0);
    CHECK(ask_move(1200, SPEED) == RESULT_ACCEPTED);
}

static void a_retreat_is_slow_whatever_speed_was_ordered(void)
{
    CHECK(ready());
    fake.contact = 1000;
    fake.force_per_count = 200;
    CHECK(ask_move(5000, SPEED) == RESULT_ACCEPTED && until_event(EVENT_FORCE_TRIP, 20));
    fake_run_us(60000);
    CHECK(ask_plain(COMMAND_CLEAR) == RESULT_ACCEPTED && ask_plain(COMMAND_ARM) == RESULT_ACCEPTED);
    fake_forget_events();
    fake_command(COMMAND_HEARTBEAT, 1, (const uint8_t *)"", 0);
    uint32_t before = fake.steps;
    CHECK(ask_move(800, FASTEST_COUNTS_PER_S) == RESULT_ACCEPTED);
    fake_run_us(400000);
    CHECK(fake.steps > before);
    CHECK(fake.steps - before <= RETREAT_COUNTS_PER_S * 41UL / 100UL * STEPS_FOR / STEPS_COUNTS);
}

/* Ready, and pressing on against a spring with 10 N on it. */
static bool pressing_with_10_newton(void)
{
    if (!ready())
        return false;
    fake.contact = 1000;
    fake.force_per_count = 100;
    if (ask_limits(-LIMIT_FORCE, 4000000L, 0, LIMIT_POSITION) != RESULT_ACCEPTED
        || ask_move(5000, 1000) != RESULT_ACCEPTED)
        return false;
    for (uint8_t tenths = 0; tenths < 40; tenths++) {
        if (fake.place >= 1800 * STEPS_FOR / STEPS_COUNTS)
            return true;
        beat();
        fake_run_us(50000);
    }
    return false;
}

static void a_force_that_stays_while_the_platen_presses_on_stops_it(void)
{
    CHECK(pressing_with_10_newton());
    fake.caught = true;
    fake.caught_force = 80000;
    int32_t before = fake.place;
    CHECK(until_event(EVENT_FORCE_SILENT, 20));
    CHECK(event_of(EVENT_FORCE_SILENT)->value == FORCE_UNMOVED);
    fake_run_us(100000);
    /* 2 mm, two conversions and a turn at 5 mm/s, and the braking */
    CHECK(fake.place - before <= (UNMOVED_COUNTS + 40) * STEPS_FOR / STEPS_COUNTS);
}

static void a_force_that_is_gone_while_the_platen_presses_on_stops_it(void)
{
    CHECK(pressing_with_10_newton());
    fake.caught = true;
    fake.caught_force = 0;
    int32_t before = fake.place;
    CHECK(until_event(EVENT_FORCE_SILENT, 20));
    CHECK(event_of(EVENT_FORCE_SILENT)->value == FORCE_GONE);
    fake_run_us(100000);
    CHECK(fake.place - before <= 60 * STEPS_FOR / STEPS_COUNTS);
}

static void a_soft_part_and_a_way_back_are_not_taken_for_a_force_that_cannot_be(void)
{
    CHECK(pressing_with_10_newton());
    /* a plateau: 0.1 N/mm, so that 2 mm are 0.2 N */
    fake.force_per_count = 4;
    fake.set_force = 80000;
    CHECK(until_event(EVENT_FINISHED, 60));
    fake_forget_events();
    CHECK(ask_move(200, SPEED) == RESULT_ACCEPTED && until_event(EVENT_FINISHED, 60));
    CHECK(count_of(EVENT_FORCE_SILENT) == 0);
}

static void after_a_stop_the_motor_lets_go_and_arming_takes_hold_again(void)
{
    CHECK(ready() && fake.powered);
    CHECK(ask_move(5000, SPEED) == RESULT_ACCEPTED);
    fake_run_us(300000);
    fake.open = SWITCH_STOP;
    fake_run_us(20000);
    CHECK(moving() && fake.powered);
    fake_run_us(RELEASE_US + 100000);
    CHECK(!moving() && !fake.powered && fake.steps_unpowered == 0);
    fake.open = 0;
    fake_run_us(10000);
    CHECK(ask_plain(COMMAND_CLEAR) == RESULT_ACCEPTED && !fake.powered);
    CHECK(ask_plain(COMMAND_ARM) == RESULT_ACCEPTED && fake.powered);
}

static void after_a_disarm_the_motor_keeps_its_current_unless_set_otherwise(void)
{
    CHECK(ready());
    CHECK(ask_plain(COMMAND_DISARM) == RESULT_ACCEPTED);
    fake_run_us(RELEASE_US + 100000);
    CHECK(fake.powered == !RELEASE_AFTER_DISARM);
}

static bool current_told(void)
{
    ask_plain(COMMAND_STATE);
    return (bytes_u16(fake.state + 3) & FLAG_MOTOR_CURRENT) != 0;
}

static void the_current_is_released_on_command_at_rest_only(void)
{
    CHECK(ready());
    CHECK(current_told());
    CHECK(ask_plain(COMMAND_RELEASE) == RESULT_BUSY && fake.powered && current_told());
    CHECK(ask_move(2000, SPEED) == RESULT_ACCEPTED);
    fake_run_us(100000);
    CHECK(ask_plain(COMMAND_DISARM) == RESULT_ACCEPTED);
    CHECK(ask_plain(COMMAND_RELEASE) == RESULT_BUSY && fake.powered); /* it still brakes */
    fake_run_us(300000);
    CHECK(ask_plain(COMMAND_RELEASE) == RESULT_ACCEPTED && !fake.powered && !current_told());
    CHECK(ask_plain(COMMAND_ARM) == RESULT_ACCEPTED && fake.powered && current_told());
    CHECK(fake.steps_unpowered == 0);
}

static void the_current_is_told_as_the_pin_has_it(void)
{
    CHECK(ready());
    fake.powered = false; /* a wire that came off, or a fault of the core */
    CHECK(!current_told());
}

static void each_switch_has_its_own_bit(void)
{
    fake_boot(0, ABOVE);
    ask_plain(COMMAND_STATE);
    CHECK(bytes_u16(fake.state + 30) == 0 && bytes_u16(fake.state + 32) == SWITCHES_FITTED);
    for (uint8_t which = SWITCH_HOME; which <= SWITCH_STOP; which = (uint8_t)(which << 1)) {
        fake.open = which;
        fake_run_us(3 * DEBOUNCE_US);
        ask_plain(COMMAND_STATE);
        CHECK(bytes_u16(fake.state + 30) == which);
    }
    fake.open = SWITCH_GUARD; /* not fitted */
    fake_run_us(3 * DEBOUNCE_US);
    ask_plain(COMMAND_STATE);
    CHECK(bytes_u16(fake.state + 30) == (SWITCH_GUARD & SWITCHES_FITTED));
}

static void a_retreat_that_makes_it_worse_is_stopped(void)
{
    CHECK(ready());
    CHECK(ask_move(2000, SPEED) == RESULT_ACCEPTED && until_event(EVENT_FINISHED, 20));
    fake_forget_events();
    fake.set_force = LIMIT_FORCE + 1;
    fake_run_us(30000);
    CHECK(count_of(EVENT_FORCE_TRIP) == 1);
    CHECK(ask_plain(COMMAND_CLEAR) == RESULT_ACCEPTED && ask_plain(COMMAND_ARM) == RESULT_ACCEPTED);
    fake_forget_events();
    CHECK(ask_move(200, 400) == RESULT_ACCEPTED);
    fake_run_us(200000);
    CHECK(count_of(EVENT_FORCE_TRIP) == 0);
    beat();
    fake.set_force += WORSE_FORCE + 1;
    fake_run_us(100000);
    CHECK(count_of(EVENT_FORCE_TRIP) == 1 && !moving());
}

static void a_reset_forgets_arming_limits_and_home(void)
{
    CHECK(ready());
    fake_boot(0, ABOVE);
    ask_plain(COMMAND_STATE);
    CHECK(bytes_u16(fake.state + 3) == 0 && ask_move(100, SPEED) == RESULT_LIMITS_NOT_SET);
}

/* Commands with sound check sums and random bodies, to a press that may not move. */
static void random_commands_do_no_harm(void)
{
    fake_boot(0, ABOVE);
    uint32_t random = 12345;
    uint8_t body[40];
    for (uint16_t i = 0; i < 400; i++) {
        for (uint8_t k = 0; k < sizeof body; k++) {
            random = random * 1664525u + 1013904223u;
            body[k] = (uint8_t)(random >> 24);
        }
        uint8_t type = body[0];
        /* all but the two that together would allow motion */
        if (type == COMMAND_ARM || type == COMMAND_LIMITS)
            continue;
        fake_command(type, bytes_u16(body + 2), body + 4, (uint8_t)(body[1] % 36u));
    }
    CHECK(fake.steps == 0 && fake.damaged == 0);
    CHECK(ask_plain(COMMAND_STATE) == RESULT_ACCEPTED && fake.states > 0);
}

struct test {
    const char *name;
    void (*run)(void);
};

static int failures;

static void judge(const char *name, void (*run)(void))
{
    failed_at = 0;
    run();
    if (!failed_at) {
        say(TEXT("ok "));
        say(name);
    } else {
        failures++;
        say(TEXT("FAILED "));
        say(name);
        say(TEXT(" at line "));
        say_number(failed_at);
    }
    say(TEXT("\n"));
}

#define RUN(test) judge(TEXT(#test), test)

/* Not all fit into an 8-bit chip at once: PART picks one of two parts, 0 is both. */
#ifndef PART
#define PART 0
#endif

int main(void)
{
#if PART != 2
    RUN(the_check_sum_has_its_published_value);
    RUN(a_frame_is_written_as_in_the_worked_example);
    RUN(any_payload_comes_back_from_its_frame);
    RUN(a_flipped_bit_costs_its_frame_and_no_other);
    RUN(a_frame_that_is_too_long_counts_once);
    RUN(a_boot_says_its_cause_and_who_it_is_and_then_nothing);
    RUN(identity_comes_before_its_reply);
    RUN(a_repeated_request_is_answered_again_and_done_once);
    RUN(an_unknown_command_is_refused_as_unknown);
    RUN(a_body_may_be_longer_and_not_shorter);
    RUN(a_request_without_a_number_is_a_bad_argument);
    RUN(samples_come_at_the_granted_rate_with_their_numbers);
    RUN(rates_that_cannot_be_had_are_brought_into_range);
    RUN(slow_streams_are_granted_as_they_are_sent);
    RUN(it_says_what_it_can_do_and_keeps_to_it);
    RUN(channels_are_described_and_read_by_those_that_ask);
    RUN(each_conversion_is_new_in_one_sample);
    RUN(blocks_hold_every_sample_at_its_time);
    RUN(slower_streams_and_older_hosts_get_samples_one_by_one);
    RUN(a_full_line_drops_samples_and_counts_them);
    RUN(nothing_moves_before_limits_arming_and_homing);
    RUN(limits_may_narrow_those_built_in_and_not_widen_them);
    RUN(motions_that_make_no_sense_are_refused);
    RUN(a_second_motion_is_busy);
    RUN(an_open_stop_at_boot_forbids_arming);
    RUN(homing_puts_zero_where_the_switch_lets_go);
    RUN(a_home_switch_that_never_comes_is_a_travel_trip);
    RUN(a_move_ends_on_its_count_and_keeps_its_speed);
    RUN(a_move_takes_the_time_that_its_speed_and_acceleration_say);
    RUN(a_press_stops_when_its_force_is_felt);
    RUN(a_press_that_meets_nothing_ends_at_its_limit_with_the_force);
    RUN(cycles_are_counted_and_ended_by_one_event);
    RUN(a_halt_brakes_within_its_steps_and_stays_armed);
    RUN(disarming_halts_and_forbids);
    RUN(a_run_begins_with_interrupts_held_off);
    RUN(slow_speeds_are_kept);
#endif
#if PART != 1
    RUN(the_emergency_stop_stops);
    RUN(a_contact_that_chatters_for_a_millisecond_stops_nothing);
    RUN(a_trip_disarms);
    RUN(the_travel_switch_stops);
    RUN(a_silent_converter_stops);
    RUN(a_data_line_that_stays_low_is_silence);
    RUN(a_saturated_converter_stops);
    RUN(a_frozen_converter_stops_and_says_so);
    RUN(an_armed_platen_at_rest_is_watched);
    RUN(either_switch_stops_either_way);
    RUN(a_home_switch_unplugged_moves_the_platen_by_no_more_than_leaving_takes);
    RUN(homing_stops_at_the_upper_switch_whatever_its_way);
    RUN(homing_stops_where_the_force_grows);
    RUN(homing_is_refused_beyond_a_force_limit_and_with_both_switches_open);
    RUN(a_stall_stops);
    RUN(a_torn_scale_stops_and_needs_homing);
    RUN(a_force_above_its_limit_stops);
    RUN(a_pull_below_its_limit_stops);
    RUN(a_lost_heartbeat_stops_in_its_time);
    RUN(only_heartbeats_count_as_heartbeats);
    RUN(heartbeats_are_not_answered);
    RUN(a_force_that_passes_its_limit_in_a_pause_trips);
    RUN(heartbeats_across_the_clocks_wrap_are_counted_right);
    RUN(a_passed_position_limit_stops);
    RUN(after_a_force_trip_only_retreat_is_accepted);
    RUN(a_retreat_that_makes_it_worse_is_stopped);
    RUN(a_retreat_is_slow_whatever_speed_was_ordered);
    RUN(a_force_that_stays_while_the_platen_presses_on_stops_it);
    RUN(a_force_that_is_gone_while_the_platen_presses_on_stops_it);
    RUN(a_soft_part_and_a_way_back_are_not_taken_for_a_force_that_cannot_be);
    RUN(after_a_stop_the_motor_lets_go_and_arming_takes_hold_again);
    RUN(after_a_disarm_the_motor_keeps_its_current_unless_set_otherwise);
    RUN(the_current_is_released_on_command_at_rest_only);
    RUN(the_current_is_told_as_the_pin_has_it);
    RUN(each_switch_has_its_own_bit);
    RUN(a_reset_forgets_arming_limits_and_home);
    RUN(random_commands_do_no_harm);
#endif
    say_end(failures);
    return 0;
}
