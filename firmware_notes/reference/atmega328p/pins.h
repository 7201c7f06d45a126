/* Where the wires go. ../../wiring.md shows the same as a table; a test compares both. */
#ifndef PINS_H
#define PINS_H

#include <avr/io.h>

/* serial line: PD0 in, PD1 out */

/* scale: both lines have an external interrupt of their own */
#define SCALE_IN PIND
#define SCALE_PULL PORTD
#define SCALE_A PD2
#define SCALE_B PD3

/* amplifier: data in on a pin-change interrupt, clock out */
#define AMPLIFIER_IN PIND
#define AMPLIFIER_PULL PORTD
#define AMPLIFIER_OUT PORTD
#define AMPLIFIER_DIRECTION DDRD
#define AMPLIFIER_CLOCK PD4
#define AMPLIFIER_DATA PD5
#define AMPLIFIER_INTERRUPT PCINT21

/* motor driver */
#define MOTOR_OUT PORTB
#define MOTOR_DIRECTION DDRB
#define MOTOR_IN PINB
#define MOTOR_DIR PB0
#define MOTOR_STEP PB1
#define MOTOR_POWER PB2 /* low: current on */

/* contacts to ground, closed at rest, with the chip's own pull-ups */
#define SWITCH_IN PINC
#define SWITCH_PULL PORTC
#define HOME_PIN PC0
#define UPPER_PIN PC1
#define STOP_PIN PC2

/* lamp: on while the motor has current */
#define LAMP_OUT PORTB
#define LAMP_DIRECTION DDRB
#define LAMP_PIN PB5

#endif
