#include "fake_chip.h"

#include <string.h>

#include "../core/bytes.h"
#include "../core/chip.h"
#include "../core/frames.h"
#include "../core/press.h"
#include "../core/protocol.h"
#include "../core/settings.h"

#define TICKS_PER_US 2u
#define TURN_TICKS 1000u
#define CONVERSION_TICKS (TICKS_PER_S / AMPLIFIER_PER_S)
#define BITS 24
#define NEVER 0xFFFFFFFFUL

struct fake fake;

static uint32_t now, base_us, step_at, sample_at, sample_every, conversion_at, turn_at, last_step;
static bool stepping, pressing, line_low, watching;
static uint32_t value;
static uint8_t bits_left, lines, locks;
static uint8_t input[80], input_count, input_next;
static struct frame_receiver host;

/* ---- what the core asks for */

uint32_t chip_time_us(void)
{
    return base_us + now / TICKS_PER_US;
}

uint8_t chip_lock(void)
{
    return locks++;
}

void chip_unlock(uint8_t before)
{
    locks = before;
}

uint8_t chip_switches(void)
{
    return (uint8_t)(fake.open | (fake.place < 0 ? SWITCH_HOME : 0u));
}

bool chip_amplifier_bit(void)
{
    if (fake.stuck)
        return false;
    if (bits_left)
        return value >> --bits_left & 1u;
    line_low = false;
    return true;
}

void chip_amplifier_watch(void)
{
    watching = !line_low && !fake.stuck;
    if (!watching)
        amplifier_ended(chip_time_us());
}

void chip_direction(bool towards)
{
    if (!locks)
        fake.begun_unlocked++;
    pressing = towards;
}

void chip_step_after(uint32_t ticks)
{
    if (!locks)
        fake.begun_unlocked++;
    stepping = true;
    step_at = now + ticks;
    last_step = 0;
}

void chip_power(bool on)
{
    fake.powered = on;
}

int32_t chip_channel(uint8_t which)
{
    return fake.channel[which & 1u];
}

bool chip_powered(void)
{
    return fake.powered;
}

void chip_sample_every(uint32_t ticks)
{
    sample_every = ticks;
    sample_at = now + ticks;
}

uint8_t chip_send_room(void)
{
    return fake.room;
}

static void note_event(const uint8_t *body)
{
    if (fake.event_count >= MOST_EVENTS)
        return;
    struct fake_event *event = &fake.events[fake.event_count++];
    event->code = body[0];
    event->request = bytes_u16(body + 1);
    event->time_us = bytes_u32(body + 3);
    event->value = bytes_i32(body + 7);
}

static void note(const uint8_t *payload, uint8_t count)
{
    switch (payload[0]) {
    case MESSAGE_SAMPLE:
        fake.samples++;
        memcpy(fake.sample, payload, sizeof fake.sample);
        break;
    case MESSAGE_BLOCK:
        fake.blocks++;
        fake.block_bytes = count;
        memcpy(fake.block, payload, count);
        break;
    case MESSAGE_ABILITIES:
        fake.abilities++;
        memcpy(fake.block, payload, count);
        break;
    case MESSAGE_CHANNEL:
        fake.channels++;
        memcpy(fake.block, payload, count);
        break;
    case MESSAGE_READINGS:
        fake.readings++;
        memcpy(fake.block, payload, count);
        break;
    case MESSAGE_IDENTITY:
        fake.identities++;
        break;
    case MESSAGE_EVENT:
        note_event(payload + 1);
        break;
    case MESSAGE_REPLY:
        fake.replies++;
        fake.result = payload[1];
        fake.reply_request = bytes_u16(payload + 2);
        fake.reply_value = bytes_i32(payload + 4);
        break;
    case MESSAGE_STATE:
        fake.states++;
        memcpy(fake.state, payload, count < sizeof fake.state ? count : sizeof fake.state);
        break;
    default:
        fake.damaged++;
    }
}

void chip_send(const uint8_t *bytes, uint8_t count)
{
    uint16_t damaged = host.damaged;
    if (count > fake.room)
        fake.damaged++; /* a sender that does not ask for room */
    for (uint8_t i = 0; i < count; i++) {
        uint8_t length = frame_take(&host, bytes[i]);
        if (length)
            note(host.bytes, length);
    }
    if (host.damaged != damaged)
        fake.damaged++;
}

int16_t chip_receive(void)
{
    return input_next < input_count ? input[input_next++] : -1;
}

uint16_t chip_next_boot_id(void)
{
    static uint16_t id = 0;
    return ++id;
}

/* ---- the press */

static int32_t counts(void)
{
    int32_t steps = fake.place * STEPS_COUNTS;
    return steps >= 0 ? steps / STEPS_FOR : -((STEPS_FOR - 1 - steps) / STEPS_FOR);
}

static void show_scale(void)
{
    static const uint8_t levels[4] = {0, 1, 3, 2};
    lines = levels[counts() & 3];
    quadrature_edge(lines);
}

static void step(void)
{
    stepping = false;
    if (!step_due())
        return;
    if (last_step && now - last_step < fake.shortest_ticks)
        fake.shortest_ticks = now - last_step;
    last_step = now;
    fake.steps++;
    fake.steps_unpowered += !fake.powered;
    if (!fake.stalled && fake.powered)
        fake.place += pressing ? 1 : -1;
    show_scale();
    uint32_t ticks = step_interval();
    if (ticks) {
        stepping = true;
        step_at = now + ticks;
    }
}

static void convert(void)
{
    int32_t deep = counts() - fake.contact;
    int32_t force = fake.set_force + (deep > 0 ? deep * fake.force_per_count : 0);
    static bool odd;
    conversion_at = now + CONVERSION_TICKS;
    /* noise of one count, away from zero, so that what is beyond a limit stays beyond it */
    odd = !odd;
    if (fake.caught)
        force = fake.caught_force;
    if (odd && !fake.frozen)
        force += force < 0 ? -1 : 1;
    if (fake.silent)
        return;
    value = (uint32_t)(force > 0x7FFFFFL ? 0x7FFFFFL : force) & 0xFFFFFFu;
    bits_left = BITS;
    line_low = true;
    if (watching) {
        watching = false;
        amplifier_ended(chip_time_us());
    }
}

static uint32_t sooner(uint32_t a, uint32_t b)
{
    return a < b ? a : b;
}

void fake_run_us(uint32_t us)
{
    uint32_t until = now + us * TICKS_PER_US;
    while (now < until) {
        now = sooner(sooner(sooner(turn_at, conversion_at), sooner(stepping ? step_at : NEVER, until)),
                     sample_every ? sample_at : NEVER);
        if (stepping && now == step_at)
            step();
        if (now == conversion_at)
            convert();
        if (sample_every && now == sample_at) {
            sample_at += sample_every;
            sample_due(chip_time_us());
        }
        if (now == turn_at) {
            turn_at += TURN_TICKS;
            press_poll();
        }
    }
}

void fake_boot(uint32_t time_us, int32_t above)
{
    memset(&fake, 0, sizeof fake);
    fake.room = 255;
    fake.place = above * STEPS_FOR / STEPS_COUNTS;
    fake.contact = 1000000;
    fake.shortest_ticks = NEVER;
    now = 0;
    base_us = time_us;
    stepping = line_low = watching = false;
    sample_every = 0;
    bits_left = input_count = input_next = 0;
    conversion_at = CONVERSION_TICKS;
    turn_at = TURN_TICKS;
    frame_begin(&host);
    show_scale();
    press_begin(4, lines);
    fake_run_us(20000);
}

void fake_bytes(const uint8_t *bytes, uint8_t count)
{
    memcpy(input, bytes, count);
    input_count = count;
    input_next = 0;
    for (uint8_t turns = 0; input_next < input_count && turns < 20; turns++)
        fake_run_us(500);
    fake_run_us(500);
}

void fake_command(uint8_t type, uint16_t request, const uint8_t *body, uint8_t count)
{
    uint8_t payload[LONGEST_PAYLOAD] = {0}, wire[LONGEST_FRAME + 1] = {0};
    payload[0] = type;
    put_u16(payload + 1, request);
    memcpy(payload + 3, body, count);
    fake_bytes(wire, frame_encode(payload, (uint8_t)(count + 3u), wire));
}

void fake_forget_events(void)
{
    fake.event_count = 0;
}

void fake_show_scale(void)
{
    show_scale();
}

void fake_tear_scale(void)
{
    lines ^= 3u;
    quadrature_edge(lines);
}
