/* The press around the chip: motor, platen, scale, switches, specimen, amplifier.
 *
 * Plan: everything follows the step pulses that the chip really sends. A pulse moves the motor by one step and
 * the platen with it; the platen's place gives the scale's two lines, the switches, and the force of the
 * specimen; the amplifier averages that force over each of its conversions. Time is the chip's cycles.
 */
#ifndef PRESS_MODEL_H
#define PRESS_MODEL_H

#include <stdbool.h>
#include <stdint.h>

#include "simulated_chip.h"

#define STEPS_PER_MM 400
#define STEPS_PER_COUNT 2
#define FORCE_COUNTS_PER_N 8000.0
#define MOST_DELAYED 6u /* conversions that the amplifier may be late */

/* A soft part whose truth is a formula. With d = platen - contact, s the set so far and p the deepest yet:
 *   first loading, beyond p    F = k d
 *   unloading from (q, Fq)     F = Fq ((d - s)/(q - s))^power,   s = set_share * p
 *   loading again from a turn  straight from there to (p, k p)
 * So in every squeeze to the same p after the first: contact at s, stiffness of the straight loading
 * k p/(p - s), hysteresis (power - 1)/(power + 1) of the energy, and F does not depend on speed. */
struct specimen {
    double stiffness_n_per_mm;
    double contact_mm;
    double power;
    double set_share;
    double deepest_mm;
    double from_mm, from_n; /* the last turn */
    bool loading;
    double before_mm;
    unsigned squeezes; /* turns back from more than half of the deepest place yet */
};

enum switch_mode { SWITCH_FREE, SWITCH_PRESSED, SWITCH_RELEASED };
enum amplifier_mode {
    AMPLIFIER_RUNS,
    AMPLIFIER_SILENT,
    AMPLIFIER_SATURATED,
    AMPLIFIER_FROZEN,
    AMPLIFIER_STUCK_LOW,
    AMPLIFIER_UNEXCITED, /* the bridge has no supply: noise about zero */
    AMPLIFIER_CAUGHT     /* noise about the force at that instant */
};
enum scale_mode { SCALE_RUNS, SCALE_FROZEN };

struct press_model {
    struct specimen specimen;

    /* steps from the home switch, towards the fixed platen */
    int64_t motor, platen;
    int64_t backlash_steps;
    bool stalled;
    int64_t shove_steps; /* still to go */
    double pushed_n; /* by a hand, on top of the specimen */
    double force_n;

    enum scale_mode scale;
    int64_t counts;
    enum switch_mode home, upper;
    bool plugs_swapped, motor_reversed; /* home and upper switch; motor and scale together */
    bool home_pressed, stop_open;

    enum amplifier_mode amplifier;
    unsigned delay_conversions;
    double noise_counts;
    double caught_n;
    uint64_t conversion_cycles;
    uint64_t noise_state;

    /* what the chip did */
    uint64_t steps, last_step, shortest, longest, shortest_pulse, last_pulse;
    uint64_t clock_rose, clock_high;
    uint64_t mark, steps_at_mark;
    bool stepped_since_mark;
    double watch_n, watch_mm; /* the first passing of these sets the mark; NAN for none */
    bool step_was_high;
    bool motor_on, lamp_on;
    uint64_t scale_state; /* of the scale's own randomness */
};

void model_begin(struct press_model *model);

/* The chip has set a line. */
void model_output(enum output line, bool high);
void model_mark(struct press_model *model);
void model_new_specimen(struct press_model *model, double stiffness, double contact, double power, double set);
/* Something stronger than the motor turns it. */
void model_shove(struct press_model *model, double mm);
void model_tear_scale(struct press_model *model);
double model_platen_mm(const struct press_model *model);

/* Works out force and switches anew after something was changed from outside. */
void model_refresh(struct press_model *model);

double specimen_force_n(struct specimen *specimen, double platen_mm);

#endif
