/* Where the wires go, as the numbers behind GP on boards. README.md shows the same as a table; a test compares both.
 *
 * CAUTION: these pins bear 3.3 V and no more. Amplifier, scale and switches with 5 V need a divider or a level shifter.
 */
#ifndef PINS_H
#define PINS_H

/* serial line */
#define SERIAL_OUT_PIN 0
#define SERIAL_IN_PIN 1

#define SCALE_A_PIN 2
#define SCALE_B_PIN 3

/* two-wire and SPI; GP4 and GP5 are data and clock of I2C, whose converter has a ready line beside */
#define AMPLIFIER_DATA_PIN 4
#define AMPLIFIER_CLOCK_PIN 6
#define I2C_CLOCK_PIN 5
#define I2C_READY_PIN 7
/* the chip's own converter */
#define ANALOGUE_PIN 26

#define MOTOR_DIR_PIN 13
#define MOTOR_STEP_PIN 14
#define MOTOR_POWER_PIN 15 /* low: current on */

/* contacts to ground, closed at rest, with the chip's own pull-ups */
#define HOME_PIN 10
#define UPPER_PIN 11
#define STOP_PIN 12

/* lamp: on while the motor has current */
#define LAMP_PIN 25

#endif
