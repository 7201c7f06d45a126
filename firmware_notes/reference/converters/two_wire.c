/* Converters of 24 bits with a clock and a data line.
 *
 * The data line falls when a conversion has ended; 24 pulses of the clock then bring the value, highest bit first,
 * and a 25th asks for the same channel and gain again and lets go of the line.
 */
#include "../core/chip.h"
#include "../core/converter.h"

#define VALUE_BITS 24

void converter_begin(void)
{
}

bool converter_read(int32_t *force)
{
    uint32_t value = 0;
    for (uint8_t i = 0; i < VALUE_BITS; i++)
        value = value << 1 | (chip_amplifier_bit() ? 1u : 0u);
    *force = converter_signed(value);
    /* after the 25th pulse a line that stays low is a broken wire, and its zeros no force */
    return chip_amplifier_bit();
}
