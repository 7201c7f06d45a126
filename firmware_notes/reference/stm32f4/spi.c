/* SPI at 0.66 MHz, for converters of ../converters/spi.c. */
#include "../core/chip.h"
#include "parts.h"
#include "pins.h"
#include "registers.h"

void chip_spi_begin(void)
{
    RCC_APB1ENR |= RCC_APB1ENR_SPI2;
    /* the clock rests low, and data are valid as it falls */
    SPI2_CR1 = SPI_CR1_MSTR | SPI_CR1_SSM | SPI_CR1_SSI | SPI_CR1_CPHA | SPI_CR1_BR_64;
    SPI2_CR1 |= SPI_CR1_SPE;
    /* the data pin still interrupts when it falls, whatever reads it */
    pin_alternate(GPIOB, AMPLIFIER_DATA_PIN, ALTERNATE_SPI2, GPIO_PULL_UP);
    pin_alternate(GPIOB, AMPLIFIER_CLOCK_PIN, ALTERNATE_SPI2, GPIO_PULL_NONE);
}

uint8_t chip_spi_byte(void)
{
    SPI2_DR = 0;
    while (!(SPI2_SR & SPI_SR_RXNE))
        ;
    return (uint8_t)SPI2_DR;
}
