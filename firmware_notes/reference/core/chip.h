/* The contract between the core and a chip. Nothing else in core/ knows registers.
 *
 * Another microcontroller needs one file that defines the functions of the first part, calls those of the second
 * part from its interrupts, and calls press_begin() once and then press_poll() for ever.
 *
 * Locking. chip_lock() holds off every interrupt that calls anything of the second part; locks nest. The core holds
 * it for a few dozen instructions, and for one pulse of the converter's clock. A function of the first part may be
 * called with the lock held, unless it says otherwise.
 *
 * Interrupts. Only the second part may be called from interrupts; everything else in core/ runs in the loop. Any call of
 * the second part may interrupt step_interval(), and nothing else of it. On a chip that reads 32 bits at once
 * quadrature_edge() and amplifier_ended(), on one priority, may interrupt step_due() and sample_due() as well.
 *
 * Timing. With the settings of the reference press:
 *   scale edge to quadrature_edge()         before the next edge: 333 us at 15 mm/s and 5 um
 *   conversion to amplifier_ended()         50 us: the platen moves by less than a count, forces keep their positions
 *   step_due() to the step pulse            at once: what varies makes steps uneven. It is high for 4 us at least
 *   chip_direction() to the next step       the core waits; the chip adds nothing
 *   press_poll() to press_poll()            1 ms at most, sooner after any call of the second part
 *   loop or its timer at a standstill       a watchdog resets the chip after 120 ms, and a reset takes the
 *                                           motor's current: pins float, and the driver's enable with them
 */
#ifndef CHIP_H
#define CHIP_H

#include <stdbool.h>
#include <stdint.h>

/* Step intervals are counted in ticks of half a microsecond. */
#define TICKS_PER_S 2000000UL

/* Bits of chip_switches(), as the state sends them: set when the contact is open, as a pressed switch or a broken wire
 * leaves it. The core acts on the first three; of the others it only tells. */
#define SWITCH_HOME 0x01u
#define SWITCH_UPPER 0x02u
#define SWITCH_STOP 0x04u
#define SWITCH_GUARD 0x08u
#define SWITCH_OVERTRAVEL_HOME 0x10u
#define SWITCH_OVERTRAVEL_FAR 0x20u
#define SWITCH_DRIVER_FAULT 0x40u

/* ---- the core calls, from its loop */

/* Free-running clock, modulo 2^32; zero is anywhere. */
uint32_t chip_time_us(void);

/* Hold interrupts off; what it returns goes back into chip_unlock. */
uint8_t chip_lock(void);
void chip_unlock(uint8_t before);

uint8_t chip_switches(void);

/* A conversion has been read: watch the converter's ready line for the next one, once. It may have come already. */
void chip_amplifier_watch(void);

/* Which way the next steps go: true towards the fixed platen. No step is under way. */
void chip_direction(bool pressing);

/* Call step_due() once after so many ticks, from 1 to 2^31, and not before this has returned. */
void chip_step_after(uint32_t ticks);

/* Current through the motor, and the lamp beside it: never one without the other. */
void chip_power(bool on);

/* Whether the pin says that the motor has current: read back from the pin, not what was last ordered. */
bool chip_powered(void);

/* Call sample_due() every so many ticks, 0 for never. The pace must not drift: what is left of a tick of the chip's
 * own timer goes into the next one. */
void chip_sample_every(uint32_t ticks);

/* Bytes that chip_send() takes without waiting. */
uint8_t chip_send_room(void);
void chip_send(const uint8_t *bytes, uint8_t count);

/* With CHANNELS above 0: the newest count of a channel, from 0; NO_READING if its sensor gives nothing. It must not
 * wait: what takes longer than 50 us is read beforehand, a piece each turn. */
int32_t chip_channel(uint8_t which);

/* Next byte from the host, -1 if there is none. */
int16_t chip_receive(void);

/* A number that differs from the one at the boot before: a counter that outlives power, or noise. */
uint16_t chip_next_boot_id(void);

/* ---- for the kind of converter that ../converters was built with; a chip defines those that it can */

/* Clocked two-wire: one pulse of the clock, and the data line after its rising edge. The pulse itself must not be
 * interrupted, since a clock that stays high for 60 us turns the converter off; between pulses it may be. */
bool chip_amplifier_bit(void);

/* SPI: eight pulses of a clock that rests low, with data that are valid as it falls; what came in. */
void chip_spi_begin(void);
uint8_t chip_spi_byte(void);

/* I2C at 400 kHz, with one device. False if it did not answer, or not within 300 us. */
void chip_i2c_begin(uint8_t address);
bool chip_i2c_write(uint8_t at, uint8_t value);
bool chip_i2c_read(uint8_t at, uint8_t *bytes, uint8_t count);

/* The chip's own converter of 12 bits: a conversion is the sum of so many readings. The chip calls amplifier_ended() when a
 * sum is complete, and keeps it until it is taken; whether none of its readings was at an end of the range. */
void chip_adc_begin(uint32_t readings_per_s, uint32_t readings);
bool chip_adc_sum(uint32_t *sum);

/* ---- causes that press_begin() is given, added up; 0 if the chip or its boot loader has forgotten */

#define RESET_BY_POWER 0x01u
#define RESET_FROM_OUTSIDE 0x02u
#define RESET_BY_BROWN_OUT 0x04u
#define RESET_BY_WATCHDOG 0x08u

/* ---- the chip calls, from interrupts */

/* The scale's two lines changed; bit 0 is A, bit 1 is B. (quadrature.c) */
void quadrature_edge(uint8_t lines);

/* A conversion has ended; of two before the first is read only the first counts. (amplifier.c) */
void amplifier_ended(uint32_t time_us);

/* A sample is due. (sampling.c) */
void sample_due(uint32_t time_us);

/* A step is due: whether to make one now. If so, the pulse begins, and step_interval() gives the ticks from this
 * step to the next, 0 for none; it takes some time, and may be interrupted. (steps.c) */
bool step_due(void);
uint32_t step_interval(void);

#endif
