/* Converters of 24 bits for bridges, with registers on I2C and a line that is low while an unread conversion is there.
 *
 * The numbers are those of a common kind, recalled; compare each with your converter's data sheet. They set the digital
 * and the analogue side working, a gain of 128, 80 conversions in a second, and the ready line to low.
 */
#include "../core/chip.h"
#include "../core/converter.h"

#define ADDRESS 0x2A
#define VALUE_REGISTER 0x12
/* after a reset the converter's own clock must run before it is told anything */
#define STARTING_US 1000u

static const struct {
    uint8_t at, value;
} setup[] = {
    {0x00, 0x01}, /* reset its registers */
    {0x00, 0x02}, /* power for the digital side */
    {0x00, 0x06}, /* and the analogue one */
    {0x01, 0xA7}, /* ready is low; 3.3 V for the bridge; gain 128 */
    {0x02, 0x30}, /* 80 conversions in a second */
    {0x00, 0x16}, /* begin */
};

void converter_begin(void)
{
    chip_i2c_begin(ADDRESS);
    for (uint8_t i = 0; i < sizeof setup / sizeof *setup; i++) {
        /* a converter that does not answer gives no conversions, and the core says that it is silent */
        (void)chip_i2c_write(setup[i].at, setup[i].value);
        for (uint32_t began_us = chip_time_us(); chip_time_us() - began_us < STARTING_US;)
            ;
    }
}

bool converter_read(int32_t *force)
{
    uint8_t bytes[3];
    if (!chip_i2c_read(VALUE_REGISTER, bytes, sizeof bytes))
        return false;
    *force = converter_signed((uint32_t)bytes[0] << 16 | (uint32_t)bytes[1] << 8 | bytes[2]);
    return true;
}
