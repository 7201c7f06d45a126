/* Anything at all, thrown at the core on this computer with memory and arithmetic watched.
 *
 *   fuzz_core SEED ROUNDS
 *
 * Each round is a boot and some hundred things in a random order: bytes, frames of random payloads, commands that make
 * sense, time, switches, forces, faults. What must hold is looked at after each: no step while the motor has
 * no current, none once it has had time to brake while disarmed, none without limits, and every frame that comes out
 * is whole. The first that does not hold ends the program with its seed and round.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "../core/bytes.h"
#include "../core/chip.h"
#include "../core/protocol.h"
#include "../core/settings.h"
#include "../core/steps.h"
#include "../core/trips.h"
#include "../tests/fake_chip.h"

#define THINGS 300
#define BRAKED_US 120000UL /* from the greatest speed, and some turns */

static uint64_t state;
static uint32_t round_number, seed;
static uint16_t request;

static uint32_t any(uint32_t below)
{
    /* the high bits of a linear congruence (constants of the MMIX computer; D. Knuth; recalled) */
    state = state * 6364136223846793005u + 1442695040888963407u;
    return (uint32_t)(state >> 33) % below;
}

static void require(bool holds, const char *words)
{
    if (holds)
        return;
    printf("seed %u, round %u: %s\n", (unsigned)seed, (unsigned)round_number, words);
    exit(1);
}

/* A number as hosts send them, and sometimes one that none would. */
static uint32_t number(void)
{
    switch (any(4)) {
    case 0: return any(HIGHEST_POSITION);
    case 1: return (uint32_t)-(int32_t)any(5000);
    case 2: return any(4000);
    default: return any(0x7FFFFFFFu) * 2u + any(2);
    }
}

static void command(void)
{
    uint8_t body[20];
    for (uint8_t at = 0; at < sizeof body; at = (uint8_t)(at + 4u))
        put_u32(body + at, number());
    uint8_t type = (uint8_t)(FIRST_COMMAND + any(LAST_COMMAND - FIRST_COMMAND + 2u));
    if (type == COMMAND_LIMITS && any(2)) {
        put_u32(body, (uint32_t)-100000L);
        put_u32(body + 4, 100000UL + any(1000000));
        put_u32(body + 8, 0);
        put_u32(body + 12, 1000UL + any(20000));
    }
    /* a request id that comes again now and then, and 0 */
    request = any(10) ? (uint16_t)(request + 1u) : (uint16_t)any(3);
    fake_command(type, request, body, (uint8_t)(any(8) ? sizeof body : any(sizeof body)));
}

/* What a host does: clear, limits, arm, home; then a motion. */
static void host(void)
{
    uint8_t body[16];
    const uint8_t *nothing = (const uint8_t *)"";
    put_u32(body, (uint32_t)-100000L);
    put_u32(body + 4, 800000UL);
    put_u32(body + 8, 0);
    put_u32(body + 12, 10000UL);
    fake.open = 0;
    fake.set_force = 0;
    fake.silent = fake.frozen = fake.stuck = fake.stalled = false;
    fake_run_us(60000);
    fake_command(COMMAND_CLEAR, ++request, nothing, 0);
    fake_command(COMMAND_LIMITS, ++request, body, 16);
    fake_command(COMMAND_ARM, ++request, nothing, 0);
    put_u32(body, FASTEST_COUNTS_PER_S);
    fake_command(COMMAND_HOME, ++request, body, 4);
    for (unsigned beats = any(30); beats; beats--) {
        fake_command(COMMAND_HEARTBEAT, ++request, nothing, 0);
        fake_run_us(100000);
    }
    put_u32(body, any(10000));
    put_u32(body + 4, 1u + any(FASTEST_COUNTS_PER_S));
    fake_command(COMMAND_MOVE, ++request, body, 8);
}

static void rubbish(void)
{
    uint8_t bytes[60];
    uint8_t count = (uint8_t)(1u + any(sizeof bytes));
    for (uint8_t i = 0; i < count; i++)
        bytes[i] = (uint8_t)(any(4) ? any(256) : 0u);
    fake_bytes(bytes, count);
}

static void hardware(void)
{
    switch (any(10)) {
    case 9: fake.channel[any(2)] = (int32_t)number(); break;
    case 0: fake.open = (uint8_t)(any(3) ? 0u : any(8)); break;
    case 1: fake.set_force = (int32_t)number(); break;
    case 2: fake.stalled = !any(4); break;
    case 3: fake.silent = !any(4); break;
    case 4: fake.frozen = !any(4); break;
    case 5: fake.stuck = !any(4); break;
    case 6: fake.room = (uint8_t)(any(3) ? 255u : any(256)); break;
    case 7:
        fake.contact = (int32_t)any(4000);
        fake.force_per_count = (int32_t)any(400);
        break;
    default: fake_tear_scale();
    }
    /* what the converter can hold at all */
    if (fake.set_force > 8000000 || fake.set_force < -8000000)
        fake.set_force = 0;
}

static void one(void)
{
    uint32_t us = 500u + any(30000);
    switch (any(8)) {
    case 0: rubbish(); break;
    case 1:
    case 2: command(); break;
    case 3: hardware(); break;
    case 4: host(); break;
    case 5: fake_command(COMMAND_HEARTBEAT, ++request, (const uint8_t *)"", 0); break;
    default: fake_run_us(us);
    }
}

static void look(void)
{
    require(fake.damaged == 0, "it sent a frame that is damaged");
    require(fake.steps_unpowered == 0, "a step while the motor has no current");
    if (trips_armed() && trips_cause() != EVENT_NONE)
        require(false, "armed with a stop latched");
    if (steps_running() && !trips_limits_set())
        require(false, "it moves without limits");
    if (!trips_armed() && !any(6)) {
        uint32_t before;
        fake_run_us(BRAKED_US);
        before = fake.steps;
        fake_run_us(50000);
        require(fake.steps == before, "it moves while it is disarmed");
    }
}

int main(int argc, char **argv)
{
    uint32_t rounds = argc > 2 ? (uint32_t)strtoul(argv[2], NULL, 10) : 200u;
    uint64_t steps = 0;
    seed = argc > 1 ? (uint32_t)strtoul(argv[1], NULL, 10) : 1u;
    for (round_number = 1; round_number <= rounds; round_number++) {
        state = (uint64_t)seed << 32 | round_number;
        any(2);
        fake_boot(any(4) ? any(0x7FFFFFFFu) : 0xFFFF0000u, (int32_t)any(2000));
        for (unsigned thing = 0; thing < THINGS; thing++) {
            one();
            look();
        }
        steps += fake.steps;
    }
    printf("%u rounds of %d things from seed %u, %llu steps: all held\n", (unsigned)rounds, THINGS, (unsigned)seed,
           (unsigned long long)steps);
    return 0;
}
