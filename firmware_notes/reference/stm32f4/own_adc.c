/* The chip's own converter, for ../converters/own_adc.c: timer 4 takes a reading at each turn, and begins the next. */
#include "../core/chip.h"
#include "parts.h"
#include "pins.h"
#include "registers.h"

#define LOWEST 0u
#define HIGHEST 4095u

static uint32_t wanted;
static uint32_t adding, added;
static bool adding_within;
static volatile uint32_t complete;
static volatile bool complete_within, waits;

void adc_interrupt(void)
{
    TIM_SR(TIM4) = 0;
    uint32_t reading = ADC1_DR & HIGHEST;
    start_adc(ANALOGUE_PIN);
    adding += reading;
    adding_within = adding_within && reading != LOWEST && reading != HIGHEST;
    if (++added < wanted)
        return;
    if (!waits) {
        complete = adding;
        complete_within = adding_within;
        waits = true;
        amplifier_ended(TIME_US_NOW);
        wake_loop();
    }
    adding = added = 0;
    adding_within = true;
}

void chip_adc_begin(uint32_t readings_per_s, uint32_t readings)
{
    wanted = readings;
    adding_within = true;
    pin_mode(GPIOA, ANALOGUE_PIN, GPIO_MODE_ANALOG, GPIO_PULL_NONE);
    begin_adc();
    start_adc(ANALOGUE_PIN);
    RCC_APB1ENR |= RCC_APB1ENR_TIM4;
    begin_timer(TIM4, TICKS_PER_S);
    TIM_ARR(TIM4) = TICKS_PER_S / readings_per_s - 1u;
    TIM_CR1(TIM4) = TIM_CR1_URS | TIM_CR1_CEN;
    let_interrupt(INTERRUPT_TIM4, 0);
}

bool chip_adc_sum(uint32_t *sum)
{
    *sum = complete;
    bool within = complete_within;
    waits = false;
    return within;
}
