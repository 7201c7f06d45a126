/* Converters of 24 bits with SPI, whose data line is their ready line as well.
 *
 * The line falls when a conversion has ended; 24 pulses of the clock bring the value, highest bit first, and further ones
 * only ones. The chip's SPI gives pulses by eights, so 32 are given: a line that is low in the last eight is a broken
 * wire, and its zeros no force. A converter that takes further pulses for an order needs two_wire.c.
 */
#include "../core/chip.h"
#include "../core/converter.h"

void converter_begin(void)
{
    chip_spi_begin();
}

bool converter_read(int32_t *force)
{
    uint32_t value = 0;
    for (uint8_t i = 0; i < 3; i++)
        value = value << 8 | chip_spi_byte();
    *force = converter_signed(value);
    return chip_spi_byte() == 0xFF;
}
