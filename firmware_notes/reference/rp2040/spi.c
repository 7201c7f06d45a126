/* SPI at 1 MHz, for converters of ../converters/spi.c. */
#include "../core/chip.h"
#include "parts.h"
#include "pins.h"
#include "registers.h"

void chip_spi_begin(void)
{
    let_out_of_reset(RESET_SPI0);
    SPI_DIVIDER = CRYSTAL_HZ / 1000000u;
    SPI_FORMAT = SPI_8_BITS_VALID_AS_CLOCK_FALLS;
    SPI_CONTROL = SPI_ON;
    /* the data pin still interrupts when it falls, whatever reads it */
    PIN_CONTROL(AMPLIFIER_DATA_PIN) = FUNCTION_SPI;
    PIN_CONTROL(AMPLIFIER_CLOCK_PIN) = FUNCTION_SPI;
}

uint8_t chip_spi_byte(void)
{
    SPI_DATA = 0;
    while (!(SPI_STATUS & SPI_CAME_IN))
        ;
    return (uint8_t)SPI_DATA;
}
