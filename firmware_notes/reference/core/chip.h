/* What the core asks of a chip, and what a chip tells the core.
 *
 * Another microcontroller needs one file that defines the functions below and calls those of the second part
 * from its interrupts. Nothing else in core/ knows registers.
 */
#ifndef CHIP_H
#define CHIP_H

#include <stdbool.h>
#include <stdint.h>

/* Step intervals are counted in ticks of half a microsecond. */
#define TICKS_PER_S 2000000UL

/* Bits of chip_switches(): set when the contact is open, as a pressed switch or a broken wire leaves it. */
#define SWITCH_HOME 0x01u
#define SWITCH_UPPER 0x02u
#define SWITCH_STOP 0x04u

/* ---- the core calls, from its loop */

/* Free-running clock, modulo 2^32. */
uint32_t chip_time_us(void);

/* Hold interrupts off; what it returns goes back into chip_unlock. */
uint8_t chip_lock(void);
void chip_unlock(uint8_t before);

uint8_t chip_switches(void);

/* One pulse of the amplifier's clock, and the data line after its rising edge. The pulse itself must not be
 * interrupted, since a clock that stays high for 60 us turns the amplifier off; between pulses it may be. */
bool chip_amplifier_bit(void);

/* All bits have been read: watch the data line for the next conversion. */
void chip_amplifier_watch(void);

/* Which way the next steps go: true towards the fixed platen. */
void chip_direction(bool pressing);

/* Call step_due() after so many ticks. */
void chip_step_after(uint32_t ticks);

/* Current through the motor, and the lamp beside it: never one without the other. */
void chip_power(bool on);

/* Call sample_due() every so many ticks, 0 for never. */
void chip_sample_every(uint32_t ticks);

/* Bytes that chip_send() takes without waiting. */
uint8_t chip_send_room(void);
void chip_send(const uint8_t *bytes, uint8_t count);

/* Next byte from the host, -1 if there is none. */
int16_t chip_receive(void);

/* A number that differs from the one at the boot before. */
uint16_t chip_next_boot_id(void);

/* ---- the chip calls, from interrupts */

/* The scale's two lines changed; bit 0 is A, bit 1 is B. (quadrature.c) */
void quadrature_edge(uint8_t lines);

/* The amplifier's data line fell: a conversion has ended. (amplifier.c) */
void amplifier_ended(uint32_t time_us);

/* A sample is due. (sampling.c) */
void sample_due(uint32_t time_us);

/* A step is due: whether to make one now. If so, step_interval() then gives the ticks to the next, 0 for
 * none; it may be interrupted. (steps.c) */
bool step_due(void);
uint32_t step_interval(void);

#endif
