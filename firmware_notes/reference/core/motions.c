#include "motions.h"

#include "amplifier.h"
#include "chip.h"
#include "events.h"
#include "quadrature.h"
#include "sampling.h"
#include "settings.h"
#include "steps.h"
#include "switches.h"
#include "trips.h"

enum kind { NO_MOTION, MOVE, PRESS, HOME, CYCLE };
enum stage { RUNNING, BRAKING, PAUSING };
enum way { SEEKING, LEAVING, LEFT };          /* of a homing */
enum part { TO_START, TO_HIGH, TO_LOW };      /* of a cycle */

static enum kind kind;
static enum stage stage;
static enum way way;
static enum part part;
static enum event_code ends_with;
static uint16_t request, last_request;
static uint32_t speed;
static int32_t target, goal_force;
static uint8_t corrections;
static int32_t run_from;
static struct cycle_order order;
static uint32_t cycles_done, pause_since_us, pause_us;
static int32_t switch_at;
static int32_t begun_at, begun_force;
static bool begun_on_home;
static bool homed;

void motions_begin(void)
{
    kind = NO_MOTION;
    homed = false;
    last_request = 0;
    cycles_done = 0;
    run_from = 0;
}

/* ---- running */

static void run_to(int32_t position, uint32_t counts_per_s)
{
    run_from = quadrature_counts();
    int32_t way_counts = position - run_from;
    uint32_t counts = way_counts < 0 ? (uint32_t)-way_counts : (uint32_t)way_counts;
    steps_run(way_counts > 0, steps_in(counts), steps_cruise_ticks(counts_per_s));
    stage = RUNNING;
}

static void leg_to(int32_t position)
{
    target = position;
    corrections = 0;
    run_to(position, speed);
}

bool motions_follow(void)
{
    int32_t should = steps_counts(steps_made());
    int32_t is = quadrature_counts() - run_from;
    int32_t off = steps_pressing() ? is - should : is + should;
    return off <= FOLLOWING_COUNTS && off >= -FOLLOWING_COUNTS;
}

static void finish(enum event_code code, int32_t value)
{
    uint16_t ended = request;
    kind = NO_MOTION;
    request = 0;
    events_add(code, ended, value);
}

/* ---- what a standstill means */

static void pause(uint16_t ms, uint32_t now_us)
{
    stage = PAUSING;
    pause_since_us = now_us;
    pause_us = (uint32_t)ms * 1000u;
}

static void next_of_cycle(void)
{
    if (part == TO_LOW) {
        cycles_done++;
        events_add(EVENT_CYCLE_FINISHED, request, (int32_t)cycles_done);
        if (cycles_done >= order.count) {
            finish(EVENT_FINISHED, quadrature_counts());
            return;
        }
    }
    part = part == TO_HIGH ? TO_LOW : TO_HIGH;
    leg_to(part == TO_HIGH ? order.high : order.low);
}

static void next_of_home(void)
{
    if (way == SEEKING) {
        trips_stop(EVENT_TRAVEL_TRIP, quadrature_counts()); /* the whole way, and no switch */
    } else if (way == LEAVING) {
        trips_stop(EVENT_STALLED, quadrature_counts()); /* the switch does not let go */
    } else {
        uint8_t before = chip_lock(); /* none may be latched between these */
        sampling_subtract(switch_at);
        amplifier_subtract(switch_at);
        quadrature_subtract(switch_at);
        run_from -= switch_at;
        chip_unlock(before);
        trips_excuse(); /* what is held, is held at a new number */
        homed = true;
        events_add(EVENT_HOMED, request, switch_at);
        finish(EVENT_FINISHED, quadrature_counts());
    }
}

static void leave_switch(void)
{
    way = LEAVING;
    run_to(quadrature_counts() + LEAVING_COUNTS, speed < LEAVING_COUNTS_PER_S ? speed : LEAVING_COUNTS_PER_S);
}

/* The end of a run that went to its last step: near enough, corrected, or not to be had. */
static bool arrived(void)
{
    int32_t off = quadrature_counts() - target;
    if (off <= ARRIVED_COUNTS && off >= -ARRIVED_COUNTS)
        return true;
    if (corrections >= CORRECTIONS)
        trips_stop(EVENT_STALLED, quadrature_counts());
    else {
        corrections++;
        run_to(target, speed < LEAVING_COUNTS_PER_S ? speed : LEAVING_COUNTS_PER_S);
    }
    return false;
}

static void stand(uint32_t now_us)
{
    if (stage == BRAKING && ends_with != EVENT_NONE) {
        finish(ends_with, quadrature_counts());
    } else if (kind == HOME) {
        if (stage == BRAKING && way == SEEKING)
            leave_switch();
        else
            next_of_home();
    } else if (!arrived()) {
        return;
    } else if (kind == MOVE) {
        finish(EVENT_FINISHED, quadrature_counts());
    } else if (kind == PRESS) {
        finish(EVENT_POSITION_LIMIT, amplifier_last()->force);
    } else if (part == TO_START) {
        next_of_cycle();
    } else {
        pause(part == TO_HIGH ? order.pause_high_ms : order.pause_low_ms, now_us);
    }
}

static void brake_for(enum event_code code)
{
    ends_with = code;
    stage = BRAKING;
    steps_brake();
}

static void look_while_running(void)
{
    if (kind == PRESS && amplifier_last()->force >= goal_force) {
        brake_for(EVENT_FINISHED);
    } else if (kind == HOME && way == SEEKING && switches_open(SWITCH_HOME)) {
        brake_for(EVENT_NONE);
    } else if (kind == HOME && way == LEAVING && !switches_open(SWITCH_HOME)) {
        switch_at = quadrature_counts();
        way = LEFT;
        brake_for(EVENT_NONE);
    }
}

void motions_poll(uint32_t now_us)
{
    if (kind == NO_MOTION)
        return;
    if (stage == PAUSING) {
        if (now_us - pause_since_us >= pause_us)
            next_of_cycle();
        return;
    }
    if (stage == RUNNING)
        look_while_running();
    if (kind != NO_MOTION && !steps_running())
        stand(now_us);
}

/* ---- beginning and ending */

static enum result refusal(bool homing, uint32_t counts_per_s)
{
    if (trips_cause() != EVENT_NONE || trips_stop_open())
        return RESULT_STOP_LATCHED;
    if (!trips_limits_set())
        return RESULT_LIMITS_NOT_SET;
    if (!trips_armed())
        return RESULT_NOT_ARMED;
    if (motions_busy())
        return RESULT_BUSY;
    if (!homing && !homed)
        return RESULT_NOT_HOMED;
    if (counts_per_s == 0 || counts_per_s > FASTEST_COUNTS_PER_S)
        return RESULT_BAD_ARGUMENT;
    return RESULT_ACCEPTED;
}

static void begin(enum kind which, uint16_t by, uint32_t counts_per_s)
{
    kind = which;
    request = last_request = by;
    speed = counts_per_s;
    ends_with = EVENT_NONE;
    begun_at = quadrature_counts();
    begun_force = amplifier_last()->force;
    begun_on_home = switches_open(SWITCH_HOME);
    trips_excuse();
}

enum result motions_move(uint16_t by, int32_t position, uint32_t counts_per_s)
{
    enum result result = refusal(false, counts_per_s);
    if (result != RESULT_ACCEPTED)
        return result;
    const struct limits *limits = trips_limits();
    int32_t here = quadrature_counts();
    bool pressed = trips_pressed(), pulled = trips_pulled();
    int32_t lowest = pulled ? here : limits->lowest_position;
    int32_t highest = pressed ? here : limits->highest_position;
    if ((pressed && pulled) || position < lowest || position > highest)
        return RESULT_OUTSIDE_LIMITS;
    /* whoever or whatever is released must not be hurt by it */
    bool slow = (pressed || pulled) && counts_per_s > RETREAT_COUNTS_PER_S;
    begin(MOVE, by, slow ? RETREAT_COUNTS_PER_S : counts_per_s);
    leg_to(position);
    return RESULT_ACCEPTED;
}

enum result motions_press(uint16_t by, int32_t force, uint32_t counts_per_s, int32_t farthest)
{
    enum result result = refusal(false, counts_per_s);
    if (result != RESULT_ACCEPTED)
        return result;
    const struct limits *limits = trips_limits();
    if (trips_pressed() || farthest < quadrature_counts() || farthest > limits->highest_position
        || force > limits->highest_force)
        return RESULT_OUTSIDE_LIMITS;
    begin(PRESS, by, counts_per_s);
    goal_force = force;
    leg_to(farthest);
    return RESULT_ACCEPTED;
}

enum result motions_home(uint16_t by, uint32_t counts_per_s)
{
    enum result result = refusal(true, counts_per_s);
    if (result != RESULT_ACCEPTED)
        return result;
    /* beyond a force limit only a motion whose way is known may release it; both switches open is a plug off */
    int32_t force = amplifier_last()->force;
    if (force < trips_limits()->lowest_force || force > trips_limits()->highest_force
        || (switches_open(SWITCH_HOME) && switches_open(SWITCH_UPPER)))
        return RESULT_OUTSIDE_LIMITS;
    begin(HOME, by, counts_per_s);
    homed = false;
    if (switches_open(SWITCH_HOME)) {
        leave_switch();
    } else {
        way = SEEKING;
        run_to(quadrature_counts() - HOMING_COUNTS, counts_per_s);
    }
    return RESULT_ACCEPTED;
}

enum result motions_cycle(uint16_t by, const struct cycle_order *wanted)
{
    enum result result = refusal(false, wanted->counts_per_s);
    if (result != RESULT_ACCEPTED)
        return result;
    if (wanted->low >= wanted->high || wanted->count == 0)
        return RESULT_BAD_ARGUMENT;
    const struct limits *limits = trips_limits();
    if (trips_pressed() || trips_pulled() || wanted->low < limits->lowest_position
        || wanted->high > limits->highest_position)
        return RESULT_OUTSIDE_LIMITS;
    begin(CYCLE, by, wanted->counts_per_s);
    order = *wanted;
    cycles_done = 0;
    part = TO_START;
    leg_to(order.low);
    return RESULT_ACCEPTED;
}

void motions_halt(void)
{
    if (kind != NO_MOTION)
        brake_for(EVENT_HALTED);
}

uint16_t motions_abandon(void)
{
    uint16_t ended = request;
    kind = NO_MOTION;
    request = 0;
    steps_brake();
    return ended;
}

bool motions_busy(void)
{
    return kind != NO_MOTION || steps_running();
}

bool motions_under_way(void)
{
    return kind != NO_MOTION;
}

bool motions_homing(void)
{
    return kind == HOME;
}

bool motions_leaving_home(void)
{
    return begun_on_home && quadrature_counts() - begun_at <= LEAVING_COUNTS + ARRIVED_COUNTS;
}

bool motions_homing_resisted(void)
{
    int32_t grown = amplifier_last()->force - begun_force;
    return kind == HOME && grown > WORSE_FORCE;
}

bool motions_homed(void)
{
    return homed;
}

void motions_lose_home(void)
{
    homed = false;
}

uint16_t motions_last_request(void)
{
    return last_request;
}

uint32_t motions_cycles_done(void)
{
    return cycles_done;
}
