/* The chip's own converter, for ../converters/own_adc.c: it runs freely, and its readings are added in an interrupt. */
#include "../core/chip.h"
#include "parts.h"
#include "pins.h"
#include "registers.h"

#define CONVERTER_HZ 48000000u
#define LOWEST 0u
#define HIGHEST 4095u

static uint32_t wanted;
static uint32_t adding, added;
static bool adding_within;
static volatile uint32_t complete;
static volatile bool complete_within, waits;

void adc_interrupt(void)
{
    while (!(ADC_FIFO_CONTROL & ADC_FIFO_EMPTY)) {
        uint32_t reading = ADC_FIFO & HIGHEST;
        adding += reading;
        adding_within = adding_within && reading != LOWEST && reading != HIGHEST;
        if (++added < wanted)
            continue;
        if (!waits) {
            complete = adding;
            complete_within = adding_within;
            waits = true;
            amplifier_ended(TIMER_NOW);
            wake_loop();
        }
        adding = added = 0;
        adding_within = true;
    }
}

void chip_adc_begin(uint32_t readings_per_s, uint32_t readings)
{
    wanted = readings;
    adding_within = true;
    PAD(ANALOGUE_PIN) = PAD_NO_OUTPUT;
    PIN_CONTROL(ANALOGUE_PIN) = FUNCTION_NONE;
    REGISTER(CLOCK_ADC_CONTROL) = CLOCK_ADC_PLL_USB | CLOCK_ENABLE;
    let_out_of_reset(RESET_ADC);
    ADC_CONTROL = ADC_ON;
    while (!(ADC_CONTROL & ADC_READY))
        ;
    ADC_FIFO_CONTROL = ADC_FIFO_ON | ADC_FIFO_THRESHOLD_4;
    /* the whole part of the divider, in 256ths, less the one cycle that is always taken */
    ADC_DIVIDER = (CONVERTER_HZ / readings_per_s - 1u) << 8;
    ADC_INTERRUPTS = 1;
    INTERRUPTS_ON = 1u << INTERRUPT_ADC;
    ADC_CONTROL = ADC_ON | ADC_FREE_RUNNING;
}

bool chip_adc_sum(uint32_t *sum)
{
    *sum = complete;
    bool within = complete_within;
    waits = false;
    return within;
}
