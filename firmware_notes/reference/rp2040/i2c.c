/* I2C at 400 kHz, for converters of ../converters/i2c.c. */
#include "../core/chip.h"
#include "parts.h"
#include "pins.h"
#include "registers.h"

#define LONGEST_US 250u

/* Of the processor's clock: 120 cycles in all, low for longer than high, as the bus wants it; pulses of 50 ns are noise. */
#define HIGH_CYCLES 45u
#define LOW_CYCLES 75u
#define SPIKE_CYCLES 2u

void chip_i2c_begin(uint8_t address)
{
    let_out_of_reset(RESET_I2C0);
    I2C_ENABLE = 0;
    I2C_CONTROL = I2C_HOST_400_KHZ;
    I2C_TARGET = address;
    I2C_HIGH_COUNT = HIGH_CYCLES;
    I2C_LOW_COUNT = LOW_CYCLES;
    I2C_SPIKES = SPIKE_CYCLES;
    I2C_ENABLE = 1;
    PAD(I2C_CLOCK_PIN) = PAD_INPUT | PAD_PULL_UP | PAD_SCHMITT;
    PIN_CONTROL(AMPLIFIER_DATA_PIN) = FUNCTION_I2C;
    PIN_CONTROL(I2C_CLOCK_PIN) = FUNCTION_I2C;
}

/* Waits for the end of the transfer that was ordered. After a failure the bus begins anew. */
static bool carried(void)
{
    uint32_t began_us = chip_time_us();
    while (!(I2C_EVENTS & I2C_STOPPED) && chip_time_us() - began_us <= LONGEST_US)
        ;
    bool done = (I2C_EVENTS & I2C_STOPPED) && !(I2C_EVENTS & I2C_ABORTED);
    (void)I2C_CLEAR_STOP;
    if (!done) {
        (void)I2C_CLEAR_ABORT;
        I2C_ENABLE = 0;
        I2C_ENABLE = 1;
    }
    return done;
}

bool chip_i2c_write(uint8_t at, uint8_t value)
{
    I2C_COMMAND = at;
    I2C_COMMAND = value | I2C_STOP;
    return carried();
}

bool chip_i2c_read(uint8_t at, uint8_t *bytes, uint8_t count)
{
    I2C_COMMAND = at;
    for (uint8_t i = 0; i < count; i++)
        I2C_COMMAND = I2C_READ | (i == 0 ? I2C_RESTART : 0u) | (i + 1u == count ? I2C_STOP : 0u);
    if (!carried() || I2C_CAME_IN < count)
        return false;
    for (uint8_t i = 0; i < count; i++)
        bytes[i] = (uint8_t)I2C_COMMAND;
    return true;
}
