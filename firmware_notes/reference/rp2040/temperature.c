/* The chip's own thermometer: its converter runs freely, and the newest of its results is taken. */
#include "../core/chip.h"
#include "../core/protocol.h"
#include "parts.h"
#include "registers.h"

#ifdef CONVERTER_own_adc
#error "the chip's converter reads the force already"
#endif

/* a thousand results a second */
#define DIVIDER (48000u - 1u)

int32_t chip_channel(uint8_t which)
{
    (void)which;
    /* asked ten times a second: whatever was switched on at one call is ready at the next */
    uint32_t control = ADC_CONTROL;
    if (!(control & ADC_ON)) {
        REGISTER(CLOCK_ADC_CONTROL) = CLOCK_ADC_PLL_USB | CLOCK_ENABLE;
        let_out_of_reset(RESET_ADC);
        ADC_CONTROL = ADC_ON | ADC_THERMOMETER;
        return NO_READING;
    }
    if (!(control & ADC_FREE_RUNNING)) {
        ADC_DIVIDER = DIVIDER << 8;
        ADC_CONTROL = ADC_ON | ADC_THERMOMETER | ADC_FREE_RUNNING;
        return NO_READING;
    }
    return (int32_t)ADC_RESULT;
}
