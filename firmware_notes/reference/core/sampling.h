/* Samples at an even pace, with each conversion of the force at its own instant.
 *
 * The position is latched in the interrupt that the sample is due in. A conversion that ends less than half a
 * period away gives that sample its own time and position, so that times never differ from the pace by
 * more than the half period, and force and position always belong together. For that a sample is held back for
 * half a period.
 */
#ifndef SAMPLING_H
#define SAMPLING_H

#include <stdbool.h>
#include <stdint.h>

void sampling_begin(void);

/* Rate in mHz, 0 to stop, and whether the host reads blocks of samples; what is granted. */
uint32_t sampling_rate(uint32_t wanted_mhz, bool reads_blocks);
bool sampling_on(void);

/* Positions count from another zero: those that wait to be sent too, since they are sent behind the event of it.
 * Interrupts are held off. */
void sampling_subtract(int32_t offset);

/* A conversion was read. */
void sampling_force_is_new(void);

/* Writes a sample or a block of them into a payload (LONGEST_PAYLOAD bytes) if one is to be sent now; its length
 * or 0. */
uint8_t sampling_take(uint32_t now_us, uint8_t *payload);

#endif
