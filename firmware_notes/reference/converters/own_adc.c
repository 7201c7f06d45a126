/* The chip's own converter, behind an amplifier whose output is in the middle of its range without a force.
 *
 * Each conversion is a sum of readings, so the noise of single readings, which must be at least one step, makes steps
 * between them. CAUTION: of 12 bits over the force that the cell bears both ways a single step is some 0.5 N, and the chip's
 * supply is the reference: coarser and less steady than a converter for bridges. It cannot fall silent; an amplifier that
 * has died gives one value for ever, or an end of the range, and both are noticed.
 */
#include "../core/chip.h"
#include "../core/converter.h"
#include "../core/settings.h"

#define READINGS 32u
/* 32 readings of 12 bits make 17, and 24 are wanted. */
#define SHIFT 7
#define MIDDLE 0x800000L

void converter_begin(void)
{
    chip_adc_begin(AMPLIFIER_PER_S * READINGS, READINGS);
}

bool converter_read(int32_t *force)
{
    uint32_t sum;
    bool within = chip_adc_sum(&sum);
    *force = (int32_t)(sum << SHIFT) - MIDDLE;
    if (!within)
        *force = *force < 0 ? CONVERTER_BOTTOM : CONVERTER_TOP;
    return true;
}
