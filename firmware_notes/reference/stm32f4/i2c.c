/* I2C at 400 kHz, for converters of ../converters/i2c.c. */
#include "../core/chip.h"
#include "parts.h"
#include "pins.h"
#include "registers.h"

#define LONGEST_US 250u

#define BUS_MHZ (PROCESSOR_HZ / 2u / 1000000u)
/* low twice as long as high: three of these make a period of 2.5 us */
#define CCR_400_KHZ (BUS_MHZ * 10u / 12u)
/* the longest rise that the bus allows, 0.3 us, and one */
#define TRISE_400_KHZ (BUS_MHZ * 3u / 10u + 1u)

static uint32_t target, began_us;

static void begin(void)
{
    I2C1_CR1 = I2C_CR1_SWRST;
    I2C1_CR1 = 0;
    I2C1_CR2 = BUS_MHZ;
    I2C1_CCR = I2C_CCR_FS | CCR_400_KHZ;
    I2C1_TRISE = TRISE_400_KHZ;
    I2C1_CR1 = I2C_CR1_PE;
}

void chip_i2c_begin(uint8_t address)
{
    target = (uint32_t)address << 1;
    RCC_APB1ENR |= RCC_APB1ENR_I2C1;
    GPIO_OTYPER(GPIOB) |= BIT(I2C_CLOCK_PIN) | BIT(I2C_DATA_PIN);
    pin_alternate(GPIOB, I2C_CLOCK_PIN, ALTERNATE_I2C, GPIO_PULL_UP);
    pin_alternate(GPIOB, I2C_DATA_PIN, ALTERNATE_I2C, GPIO_PULL_UP);
    begin();
}

/* Waits for a state of the bus; false if it does not come, or nobody answers. */
static bool reached(uint32_t state)
{
    uint32_t status;
    while (!((status = I2C1_SR1) & (state | I2C_SR1_AF)) && chip_time_us() - began_us <= LONGEST_US)
        ;
    return (status & state) != 0;
}

/* Addresses the device, again or for the first time. */
static bool call(uint32_t read)
{
    I2C1_CR1 |= I2C_CR1_START;
    if (!reached(I2C_SR1_SB))
        return false;
    I2C1_DR = target | read;
    return reached(I2C_SR1_ADDR);
}

static void stop(void)
{
    I2C1_CR1 |= I2C_CR1_STOP;
}

static bool told(uint8_t at)
{
    began_us = chip_time_us();
    if (!call(0))
        return false;
    /* reading the second status register lets the bus go on */
    (void)I2C1_SR2;
    I2C1_DR = at;
    return reached(I2C_SR1_BTF);
}

bool chip_i2c_write(uint8_t at, uint8_t value)
{
    if (told(at)) {
        I2C1_DR = value;
        if (reached(I2C_SR1_BTF)) {
            stop();
            return true;
        }
    }
    begin();
    return false;
}

/* Three bytes or more. The last but two is taken only when the one behind it waits as well: then the bus stands still
 * while it is told that the last one gets no answer. */
static bool taken(uint8_t *bytes, uint8_t count)
{
    I2C1_CR1 |= I2C_CR1_ACK;
    if (!call(1))
        return false;
    (void)I2C1_SR2;
    for (; count > 3u; count--) {
        if (!reached(I2C_SR1_RXNE))
            return false;
        *bytes++ = (uint8_t)I2C1_DR;
    }
    if (!reached(I2C_SR1_BTF))
        return false;
    uint8_t before = chip_lock();
    I2C1_CR1 &= ~I2C_CR1_ACK;
    *bytes++ = (uint8_t)I2C1_DR;
    stop();
    *bytes++ = (uint8_t)I2C1_DR;
    chip_unlock(before);
    if (!reached(I2C_SR1_RXNE))
        return false;
    *bytes = (uint8_t)I2C1_DR;
    return true;
}

bool chip_i2c_read(uint8_t at, uint8_t *bytes, uint8_t count)
{
    if (told(at) && taken(bytes, count))
        return true;
    begin();
    return false;
}
