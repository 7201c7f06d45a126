/* The simulated chip, as the press around it sees it: lines in and out, bytes, time. Each simulator has one file that
 * defines these (avr_chip.c, rp2040_chip.c) and calls model_output() and cable_chip_said().
 */
#ifndef SIMULATED_CHIP_H
#define SIMULATED_CHIP_H

#include <stdbool.h>
#include <stdint.h>

/* Time is counted in cycles of 16 MHz from the start of the bench, whatever the chip's own clock; no reset stops it. */
#define CYCLES_PER_US 16u
#define CYCLES_PER_S 16000000u

enum input { SCALE_A, SCALE_B, AMPLIFIER_DATA, HOME_SWITCH, UPPER_SWITCH, STOP_CONTACT };
#define INPUTS 6u
enum output { STEP, DIRECTION, MOTOR_ENABLE, LAMP, AMPLIFIER_CLOCK };
#define OUTPUTS 5u
enum reset_cause { RESET_POWER, RESET_EXTERNAL, RESET_BROWN_OUT };

/* Loads a program; false with a message if it cannot. */
bool chip_load(const char *program);

uint64_t chip_cycles(void);

/* Lets time pass up to a cycle, or to schedule_next(), which what the chip does may bring nearer. */
void chip_run(uint64_t until);

/* The level of a line that leads to the chip, which no reset changes. */
void chip_drive(enum input line, bool high);

/* A byte has arrived at the chip's serial line. */
void chip_hear(uint8_t byte);

void chip_reset(enum reset_cause cause);

/* Stops the timer that turns the firmware's loop. */
void chip_hang(void);

/* Crashed, or asleep for good. */
bool chip_ended(void);

/* The deepest that the stack has been, in bytes. */
unsigned chip_stack_bytes(void);

#endif
