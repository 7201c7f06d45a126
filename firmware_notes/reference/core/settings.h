/* The numbers of one rig.
 *
 * CAUTION: they decide how far, how fast and how hard a platen presses, and when it stops. A wrong one moves it further
 * or faster than was meant. Before the first motion after a change: nothing between the platens, guard closed, motor
 * supply only then on, and check-device. Hard stops, overtravel contacts and emergency stop act without any of them:
 * ../../safety.md, ../../motor_circuit.svg.
 *
 * Change these for yours, and nothing else in core/. They describe a rig with a lead screw of 4 mm, 200 full
 * steps and 8 microsteps (400 steps for each mm), a scale of 5 um for each count, and a force amplifier set to
 * 80 conversions a second. All of them are checked by the compiler where they meet.
 */
#ifndef SETTINGS_H
#define SETTINGS_H

#define FIRMWARE_MAJOR 1
#define FIRMWARE_MINOR 0
#define DEVICE_NAME "reference press"
#define UNIT_ID "REF-0001"

/* Size of a position count in picometres: 5 um. Hosts compare it with what a rig's file says. */
#define COUNT_PM 5000000UL

/* Motor steps for each position count, as a fraction. At least one step for each count. */
#define STEPS_FOR 2
#define STEPS_COUNTS 1

/* The built-in speed limit and the acceleration of every motion, in position counts: 15 mm/s, 200 mm/s^2. */
#define FASTEST_COUNTS_PER_S 3000UL
#define ACCELERATION_COUNTS_PER_S2 40000UL

/* The host's limits may only narrow these: 1 mm below the home switch, 120 mm above it. */
#define LOWEST_POSITION (-200L)
#define HIGHEST_POSITION 24000L

/* Force counts of the amplifier: the cell's capacity either way, below the converter's own ends. */
#define LOWEST_FORCE (-4200000L)
#define HIGHEST_FORCE 4200000L

#define AMPLIFIER_PER_S 80UL
/* A converter's clock is often off by a tenth: three of its periods are counted that much longer. */
#define AMPLIFIER_SILENT_US (3UL * 1100000UL / AMPLIFIER_PER_S)

/* The highest stream that leaves room on the line at 250 000 baud: 20 bytes of each sample, 40 % of it. */
#define FASTEST_STREAM_MHZ 500000UL

/* The highest stream in blocks: 8 bytes of each sample, 65 % of the line. An 8-bit chip has no time for more samples. */
#ifdef F_CPU
#define FASTEST_BLOCKS_MHZ FASTEST_STREAM_MHZ
#else
#define FASTEST_BLOCKS_MHZ 2000000UL
#endif
#define SENDS_BLOCKS (FASTEST_BLOCKS_MHZ > FASTEST_STREAM_MHZ)
/* At this rate or a slower one a sample would wait too long for its block to fill, and goes by itself. */
#define PLAIN_UP_TO_MHZ 1000000UL
/* One sample in ten seconds. */
#define SLOWEST_STREAM_MHZ 100UL

/* Channels beside force and position, of which the chip gives counts (chip_channel()): kind, unit, scale, exponent, zero
 * and name of each; value = (count - zero) x scale x 10^exponent. Further forces are recorded only: limits and trips
 * act on the force of the samples. */
#ifndef CHANNELS
#define CHANNELS 0
#endif
#ifndef CHANNEL_TABLE
#define CHANNEL_TABLE \
    { \
        {CHANNEL_SLOW, "degC", 1, -2, 0, "ambient_temperature"}, {CHANNEL_SLOW, "%", 1, -1, 0, "humidity"}, \
    }
#endif
#define READINGS_US 100000UL

/* So far may the scale lie beside the steps before the platen counts as stalled: 0.2 mm. */
#define FOLLOWING_COUNTS 40L

/* A scale at rest flickers between two counts: so far beyond a limit is not yet passed. */
#define LIMIT_SLACK_COUNTS 2L

/* A leg ends within so many counts of its target, after as many small corrections. */
#define ARRIVED_COUNTS 1L
#define CORRECTIONS 3

/* Homing looks for the switch over the whole way and a tenth more. It leaves a pressed switch at 1 mm/s and goes
 * 2 mm at most: that is all that a home switch whose plug came off can make it go towards the part. */
#define HOMING_COUNTS ((HIGHEST_POSITION - LOWEST_POSITION) / 10L * 11L)
#define LEAVING_COUNTS_PER_S 200UL
#define LEAVING_COUNTS 400L

/* While something is being released, a force that still grows by so much means that it is not: about 5 N. */
#define WORSE_FORCE 40000L

/* While the platen presses on with more than 5 N above what it began with: a force that stays within 0.05 N over 2 mm of
 * travel comes from a converter that is caught, and one that falls to an eighth from a bridge that lost its
 * excitation, or from a part that is gone. A part that snaps through falls less. */
#define CONTACT_FORCE 40000L
#define UNMOVED_FORCE 400L
#define UNMOVED_COUNTS 400L
#define GONE_DIVISOR 8L

/* What is outside a limit is released at 2 mm/s at most, whatever speed was ordered. */
#define RETREAT_COUNTS_PER_S 400UL

/* So long after a stop, at rest, the motor loses its current; after a disarm too if the second is 1. A platen that
 * its screw does not hold by itself needs a brake for that. */
#define RELEASE_US 200000UL
#define RELEASE_AFTER_DISARM 0

/* Noise moves the last of 24 bits: a converter that gives one value so often has stopped measuring. */
#define FROZEN_CONVERSIONS 8u

/* The protocol says 500 to 550 ms. */
#define HEARTBEAT_US 515000UL

/* The switches that are wired, bits of chip_switches(): home, upper, emergency stop. */
#define SWITCHES_FITTED 0x07u

/* Switches must read alike for so long. A contact bounces for a millisecond or two. */
#define DEBOUNCE_US 2000UL

#if HEARTBEAT_US < 500000 || HEARTBEAT_US > 545000
#error "the protocol wants a stop 500 to 550 ms after the last heartbeat, and the loop needs some of it"
#endif
#if LOWEST_FORCE >= HIGHEST_FORCE || LOWEST_FORCE < -8388608 || HIGHEST_FORCE > 8388607
#error "the lowest force is below the highest, and a converter has 24 bits at most"
#endif
#if LOWEST_POSITION >= HIGHEST_POSITION
#error "the lowest position is below the highest"
#endif
#if COUNT_PM < 1 || COUNT_PM > 1000000000
#error "a position count is at most 1 mm, in picometres"
#endif
#if SLOWEST_STREAM_MHZ < 1 || SLOWEST_STREAM_MHZ > FASTEST_STREAM_MHZ
#error "the slowest stream is above zero and no faster than the fastest"
#endif
#if CHANNELS > 11
#error "at most three further forces and eight slow channels"
#endif
#if AMPLIFIER_PER_S < 1
#error "an amplifier without conversions feels nothing"
#endif
#if FASTEST_COUNTS_PER_S * STEPS_FOR / STEPS_COUNTS > 10000
#error "more than 10000 steps a second leave too little time between two interrupts; 6000 were tried"
#endif
#if (SWITCHES_FITTED & 0x07) != 0x07
#error "without home switch, travel switch and emergency stop nothing may move"
#endif
#if DEBOUNCE_US < 500 || DEBOUNCE_US > 10000
#error "a switch that is read for less bounces, and one that is read for more stops the platen late"
#endif
#if defined(F_CPU) && FASTEST_STREAM_MHZ / 1000 * 200 > 150000
#error "more than 750 samples a second leave no room for answers and events at 250 000 baud"
#endif
#if FASTEST_BLOCKS_MHZ > 2000000
#error "the loop turns each millisecond at the latest, and no more than four samples wait for it"
#endif
#if RETREAT_COUNTS_PER_S > FASTEST_COUNTS_PER_S || RETREAT_COUNTS_PER_S < 1
#error "a retreat is slow, and moves"
#endif
#if defined(F_CPU) && F_CPU != 16000000
#error "timers and baud rate of the chip are laid out for a clock of 16 MHz"
#endif
#if ACCELERATION_COUNTS_PER_S2 * STEPS_FOR / STEPS_COUNTS < 1
#error "an acceleration of no step per second squared never moves"
#endif
#if STEPS_FOR < STEPS_COUNTS
#error "one motor step must not be longer than one position count, or the platen cannot stop at a count"
#endif
#if HIGHEST_POSITION > 100000000 / STEPS_FOR || LOWEST_POSITION < -100000000 / STEPS_FOR
#error "the travel in motor steps must stay far within 32 bits"
#endif
#endif
