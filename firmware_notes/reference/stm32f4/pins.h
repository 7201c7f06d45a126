/* Where the wires go. README.md shows the same as a table; a test compares both. All but these are on port B:
 * serial line PA9 and PA10, USB PA11 and PA12, analogue signal PA1, lamp PA5.
 *
 * CAUTION: a pin that is pulled up by the chip bears 3.3 V and no more.
 */
#ifndef PINS_H
#define PINS_H

/* port A */
#define ANALOGUE_PIN 1
/* lamp: on while the motor has current */
#define LAMP_PIN 5
#define SERIAL_OUT_PIN 9
#define SERIAL_IN_PIN 10
#define USB_MINUS_PIN 11
#define USB_PLUS_PIN 12

/* port B from here */
#define MOTOR_STEP_PIN 0
#define MOTOR_DIR_PIN 1
#define MOTOR_POWER_PIN 10 /* low: current on */

#define SCALE_A_PIN 6
#define SCALE_B_PIN 7

#define AMPLIFIER_CLOCK_PIN 13
/* two-wire and SPI: data; I2C: the ready line beside */
#define AMPLIFIER_DATA_PIN 14
#define I2C_CLOCK_PIN 8
#define I2C_DATA_PIN 9

/* contacts to ground, closed at rest, with the chip's own pull-ups */
#define STOP_PIN 5
#define HOME_PIN 12
#define UPPER_PIN 15

#endif
