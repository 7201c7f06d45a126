#include "trips.h"

#include "amplifier.h"
#include "chip.h"
#include "events.h"
#include "motions.h"
#include "quadrature.h"
#include "settings.h"
#include "steps.h"
#include "switches.h"

static const struct limits built_in = {LOWEST_FORCE, HIGHEST_FORCE, LOWEST_POSITION, HIGHEST_POSITION};

static struct limits limits;
static bool set, armed, stop_open;
static enum event_code cause;
static uint32_t beat_us;
/* What was outside when arming or a motion began, and how far: it may not get worse. */
static bool excused_high, excused_low, excused_above, excused_below;
static int32_t excused_force, excused_position;
static uint8_t excused_switches;
/* Where an armed platen stands. */
static bool holding;
static int32_t held_at;
/* Of a run that presses: the force that it began with, the greatest since, and since where the force is what it is. */
static bool pressing_on;
static int32_t first_force, most_force, steady_force, steady_from;
static bool powered;
static uint32_t needed_us;

void trips_begin(uint32_t now_us)
{
    limits = built_in;
    set = armed = stop_open = false;
    excused_high = excused_low = excused_above = excused_below = false;
    excused_switches = 0;
    holding = pressing_on = powered = false;
    cause = EVENT_NONE;
    beat_us = needed_us = now_us;
}

void trips_stop(enum event_code why, int32_t value)
{
    if (cause != EVENT_NONE)
        return;
    cause = why;
    trips_disarm();
    events_add(why, motions_abandon(), value);
}

static void look_at_stop(void)
{
    bool open = switches_open(SWITCH_STOP);
    if (open == stop_open)
        return;
    stop_open = open;
    if (!open)
        events_add(EVENT_STOP_CLOSED, 0, 0);
    else if (cause == EVENT_NONE)
        trips_stop(EVENT_STOP_OPENED, 0);
    else
        events_add(EVENT_STOP_OPENED, 0, 0);
}

static void look_at_sensors(uint32_t now_us)
{
    if (quadrature_lost_edge()) {
        motions_lose_home();
        trips_stop(EVENT_POSITION_FAULT, 0);
    }
    bool silent = amplifier_silent(now_us);
    if (!armed)
        return;
    if (silent)
        trips_stop(EVENT_FORCE_SILENT, FORCE_SILENT);
    else if (amplifier_last()->saturated)
        trips_stop(EVENT_FORCE_SILENT, FORCE_SATURATED);
    else if (amplifier_last()->alike >= FROZEN_CONVERSIONS)
        trips_stop(EVENT_FORCE_SILENT, FORCE_FROZEN);
    else if (now_us - beat_us > HEARTBEAT_US)
        trips_stop(EVENT_HEARTBEAT_LOST, 0);
}

static void look_at_force(void)
{
    int32_t force = amplifier_last()->force;
    bool pressing = steps_running() && steps_pressing(), lifting = steps_running() && !steps_pressing();
    bool high = force > limits.highest_force, low = force < limits.lowest_force;
    excused_high = excused_high && high;
    excused_low = excused_low && low;
    bool passed = (high && (!excused_high || pressing || force - excused_force > WORSE_FORCE))
        || (low && (!excused_low || lifting || excused_force - force > WORSE_FORCE));
    if (passed || motions_homing_resisted())
        trips_stop(EVENT_FORCE_TRIP, force);
}

/* A force that cannot be true while the platen presses on. */
static void look_at_contact(void)
{
    if (!steps_running() || !steps_pressing()) {
        pressing_on = false;
        return;
    }
    int32_t force = amplifier_last()->force, position = quadrature_counts();
    if (!pressing_on) {
        pressing_on = true;
        first_force = most_force = steady_force = force;
        steady_from = position;
    }
    if (force > most_force)
        most_force = force;
    int32_t change = force - steady_force;
    if (change > UNMOVED_FORCE || change < -UNMOVED_FORCE || force - first_force < CONTACT_FORCE) {
        steady_force = force;
        steady_from = position;
    } else if (position - steady_from > UNMOVED_COUNTS) {
        trips_stop(EVENT_FORCE_SILENT, FORCE_UNMOVED);
    }
    if (most_force - first_force > CONTACT_FORCE && force - first_force < (most_force - first_force) / GONE_DIVISOR)
        trips_stop(EVENT_FORCE_SILENT, FORCE_GONE);
}

/* Either switch stops a motion in any direction. One that was open when the motion began has to let go; the home
 * switch within a short way, since that way is towards the part, and in a homing either of them. */
static bool switch_stops(uint8_t which)
{
    if (!switches_open(which)) {
        excused_switches &= (uint8_t)~which;
        return false;
    }
    bool homing = motions_homing();
    if (which == SWITCH_HOME)
        return !homing && !(excused_switches & which && (!motions_under_way() || motions_leaving_home()));
    return !(excused_switches & which) || (steps_running() && steps_pressing())
        || (homing && excused_position - quadrature_counts() > LEAVING_COUNTS);
}

static void look_at_travel(void)
{
    int32_t position = quadrature_counts();
    bool above = position > limits.highest_position + LIMIT_SLACK_COUNTS;
    bool below = position < limits.lowest_position - LIMIT_SLACK_COUNTS;
    excused_above = excused_above && above;
    excused_below = excused_below && below;
    bool home = switch_stops(SWITCH_HOME), upper = switch_stops(SWITCH_UPPER);
    bool beyond = home || upper;
    /* before its end a homing has no true positions */
    if (!motions_homing()) {
        beyond |= above && (!excused_above || position > excused_position + LIMIT_SLACK_COUNTS);
        beyond |= below && (!excused_below || position < excused_position - LIMIT_SLACK_COUNTS);
    }
    if (beyond)
        trips_stop(EVENT_TRAVEL_TRIP, position);
}

/* A platen that is pushed from where it was left has a motor that slips, or a hand or a part that is stronger. */
static void look_at_holding(void)
{
    int32_t position = quadrature_counts();
    if (!holding) {
        holding = true;
        held_at = position;
    }
    int32_t off = position - held_at;
    if (off > FOLLOWING_COUNTS || off < -FOLLOWING_COUNTS)
        trips_stop(EVENT_STALLED, position);
}

/* After a stop the motor lets go as soon as it has braked: a hand or a part may be in there, and the screw holds. */
static void look_at_current(uint32_t now_us)
{
    bool let_go = !armed && !steps_running() && (cause != EVENT_NONE || RELEASE_AFTER_DISARM);
    if (!let_go) {
        needed_us = now_us;
    } else if (powered && now_us - needed_us >= RELEASE_US) {
        powered = false;
        chip_power(false);
    }
}

void trips_poll(uint32_t now_us)
{
    look_at_stop();
    look_at_sensors(now_us);
    look_at_current(now_us);
    /* what brakes after a trip cannot be stopped any sooner */
    if (!armed)
        return;
    look_at_force();
    look_at_contact();
    if (motions_under_way() || motions_homed())
        look_at_travel();
    if (!steps_running())
        look_at_holding();
    else if (!motions_follow())
        trips_stop(EVENT_STALLED, quadrature_counts());
    if (steps_running())
        holding = false;
}

enum result trips_arm(uint32_t now_us)
{
    if (cause != EVENT_NONE || stop_open)
        return RESULT_STOP_LATCHED;
    armed = true;
    trips_excuse();
    beat_us = now_us;
    powered = true;
    chip_power(true);
    return RESULT_ACCEPTED;
}

void trips_disarm(void)
{
    /* the motor keeps its current for now: it has to brake */
    armed = false;
}

void trips_beat(uint32_t now_us)
{
    beat_us = now_us;
}

enum result trips_clear(void)
{
    if (stop_open)
        return RESULT_STOP_LATCHED;
    cause = EVENT_NONE;
    return RESULT_ACCEPTED;
}

enum result trips_release(void)
{
    if (armed || motions_busy())
        return RESULT_BUSY;
    powered = false;
    chip_power(false);
    return RESULT_ACCEPTED;
}

enum result trips_set_limits(const struct limits *wanted)
{
    if (wanted->lowest_force >= wanted->highest_force || wanted->lowest_position >= wanted->highest_position)
        return RESULT_BAD_ARGUMENT;
    if (wanted->lowest_force < built_in.lowest_force || wanted->highest_force > built_in.highest_force
        || wanted->lowest_position < built_in.lowest_position
        || wanted->highest_position > built_in.highest_position)
        return RESULT_OUTSIDE_LIMITS;
    limits = *wanted;
    set = true;
    /* a standing platen is told where it may go; a moving one that is outside now has to stop */
    if (!motions_busy())
        trips_excuse();
    return RESULT_ACCEPTED;
}

void trips_excuse(void)
{
    excused_force = amplifier_last()->force;
    excused_high = excused_force > limits.highest_force;
    excused_low = excused_force < limits.lowest_force;
    excused_position = quadrature_counts();
    excused_above = excused_position > limits.highest_position + LIMIT_SLACK_COUNTS;
    excused_below = excused_position < limits.lowest_position - LIMIT_SLACK_COUNTS;
    excused_switches = (uint8_t)((switches_open(SWITCH_HOME) ? SWITCH_HOME : 0u)
                                 | (switches_open(SWITCH_UPPER) ? SWITCH_UPPER : 0u));
    holding = false;
}

bool trips_armed(void)
{
    return armed;
}

bool trips_limits_set(void)
{
    return set;
}

enum event_code trips_cause(void)
{
    return cause;
}

bool trips_stop_open(void)
{
    return stop_open;
}

const struct limits *trips_limits(void)
{
    return &limits;
}

bool trips_pressed(void)
{
    return amplifier_last()->force > limits.highest_force || switches_open(SWITCH_UPPER)
        || quadrature_counts() > limits.highest_position + LIMIT_SLACK_COUNTS;
}

bool trips_pulled(void)
{
    return amplifier_last()->force < limits.lowest_force || switches_open(SWITCH_HOME)
        || quadrature_counts() < limits.lowest_position - LIMIT_SLACK_COUNTS;
}
