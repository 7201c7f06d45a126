/* STM32F4 chips with full-speed USB (F401, F411, F405), at 84 MHz from a crystal.
 *
 * Timer 2 counts microseconds and is the clock. Timer 3 makes the steps: its counter begins anew with each, so an
 * interval is counted from the step before, however late that was served. Timer 5 turns over at each sample.
 * SysTick turns the loop each millisecond. The watchdog has a clock of its own, and is fed only when both SysTick
 * and the loop are alive. The way to the host is uart.c or usb.c.
 *
 * The scale and the amplifier have the highest priority and are let in everywhere but under the lock; then come steps,
 * samples and the serial line, and the rest.
 */
#include "../core/chip.h"

#include "../core/press.h"
#include "parts.h"
#include "pins.h"
#include "registers.h"

#define TURN_HZ 1000u

/* Longest stretch that timer 3 covers; the rest is waited for in further ones. */
#define LONGEST_TICKS 0xF000u
/* A turn of the timer that would be due sooner than this may be missed. */
#define SOONEST_TICKS 8u

/* the least that motor drivers ask of a pulse */
#define PULSE_US 4u

/* The watchdog's clock has 17 to 47 kHz (data sheets, recalled), and is divided by 4: it bites after 43 to 120 ms. */
#define WATCHDOG_COUNTS (120u * 17u / 4u - 1u)

#define SCALE_EDGES (BIT(SCALE_A_PIN) | BIT(SCALE_B_PIN))
#define READY_EDGE BIT(AMPLIFIER_DATA_PIN)

/* The reference voltage, as a source of noise. */
#define CHANNEL_REFERENCE 17u
#define LONGEST_READING_US 50u

static uint32_t step_rest;
static volatile bool ticked, woken;

/* ---- clock and lock */

uint32_t chip_time_us(void)
{
    return TIME_US_NOW;
}

static void wait_until(uint32_t time_us)
{
    while ((int32_t)(time_us - TIME_US_NOW) > 0)
        ;
}

uint8_t chip_lock(void)
{
    uint32_t before;
    __asm__ volatile("mrs %0, primask\n cpsid i" : "=r"(before)::"memory");
    return (uint8_t)before;
}

void chip_unlock(uint8_t before)
{
    __asm__ volatile("msr primask, %0" ::"r"((uint32_t)before) : "memory");
}

void wake_loop(void)
{
    woken = true;
}

void turn_interrupt(void)
{
    ticked = woken = true;
}

void begin_timer(uint32_t timer, uint32_t hertz)
{
    TIM_PSC(timer) = TIMER_HZ / hertz - 1u;
    TIM_ARR(timer) = 0xFFFFFFFFu;
    /* only a turn-over counts as one, and the divider is taken over now */
    TIM_CR1(timer) = TIM_CR1_URS;
    TIM_EGR(timer) = TIM_EGR_UG;
    TIM_SR(timer) = 0;
    TIM_DIER(timer) = TIM_DIER_UIE;
}

/* ---- scale, amplifier, switches */

static uint8_t scale_lines(void)
{
    return (uint8_t)(GPIO_IDR(GPIOB) >> SCALE_A_PIN) & 3u;
}

void scale_interrupt(void)
{
    /* forgotten before the lines are looked at, so that an edge that comes in between is looked at again */
    EXTI_PR = SCALE_EDGES;
    quadrature_edge(scale_lines());
}

static void amplifier_fell(void)
{
    EXTI_IMR &= ~READY_EDGE;
    amplifier_ended(TIME_US_NOW);
    woken = true;
}

void amplifier_interrupt(void)
{
    EXTI_PR = READY_EDGE;
    if (EXTI_IMR & READY_EDGE)
        amplifier_fell();
}

/* Half of a pulse of the amplifier's clock: 0.2 us at least. */
static void half_pulse(void)
{
    __asm__ volatile(".rept 18\n nop\n .endr");
}

bool chip_amplifier_bit(void)
{
    uint8_t before = chip_lock();
    GPIO_BSRR(GPIOB) = BIT(AMPLIFIER_CLOCK_PIN);
    half_pulse();
    bool bit = (GPIO_IDR(GPIOB) & BIT(AMPLIFIER_DATA_PIN)) != 0;
    GPIO_BSRR(GPIOB) = BIT(AMPLIFIER_CLOCK_PIN) << 16;
    chip_unlock(before);
    half_pulse();
    return bit;
}

void chip_amplifier_watch(void)
{
#ifndef CONVERTER_own_adc
    uint8_t before = chip_lock();
    EXTI_PR = READY_EDGE;
    EXTI_IMR |= READY_EDGE;
    /* it fell while nobody looked; if it falls now, the interrupt finds itself no longer let in */
    if (!(GPIO_IDR(GPIOB) & BIT(AMPLIFIER_DATA_PIN)))
        amplifier_fell();
    chip_unlock(before);
#endif
}

uint8_t chip_switches(void)
{
    uint32_t open = GPIO_IDR(GPIOB);
    return (uint8_t)(((open & BIT(HOME_PIN)) ? SWITCH_HOME : 0u) | ((open & BIT(UPPER_PIN)) ? SWITCH_UPPER : 0u)
                     | ((open & BIT(STOP_PIN)) ? SWITCH_STOP : 0u));
}

/* ---- motor: the upper half of BSRR clears a pin */

void chip_direction(bool pressing)
{
    GPIO_BSRR(GPIOB) = pressing ? BIT(MOTOR_DIR_PIN) : BIT(MOTOR_DIR_PIN) << 16;
}

void chip_power(bool on)
{
    GPIO_BSRR(GPIOB) = on ? BIT(MOTOR_POWER_PIN) << 16 : BIT(MOTOR_POWER_PIN);
    GPIO_BSRR(GPIOA) = on ? BIT(LAMP_PIN) : BIT(LAMP_PIN) << 16;
}

bool chip_powered(void)
{
    return !(GPIO_IDR(GPIOB) & BIT(MOTOR_POWER_PIN));
}

/* Counted from where the timer's counter was zero. Not to be interrupted between the look at the counter and its end. */
static void wait_on(uint32_t ticks)
{
    uint8_t before = chip_lock();
    uint32_t part = ticks > LONGEST_TICKS ? LONGEST_TICKS / 2u : ticks;
    step_rest = ticks - part;
    uint32_t soonest = TIM_CNT(TIM3) + SOONEST_TICKS;
    TIM_ARR(TIM3) = (part > soonest ? part : soonest) - 1u;
    chip_unlock(before);
}

void chip_step_after(uint32_t ticks)
{
    uint8_t before = chip_lock();
    TIM_CR1(TIM3) = TIM_CR1_URS;
    TIM_CNT(TIM3) = 0;
    TIM_SR(TIM3) = 0;
    wait_on(ticks);
    TIM_CR1(TIM3) = TIM_CR1_URS | TIM_CR1_CEN;
    chip_unlock(before);
}

void step_interrupt(void)
{
    /* the wait may have begun anew after its end: then this is not yet the step's time */
    if (!(TIM_SR(TIM3) & TIM_SR_UIF))
        return;
    TIM_SR(TIM3) = 0;
    TIM_ARR(TIM3) = 0xFFFFu;
    if (step_rest) {
        wait_on(step_rest);
        return;
    }
    if (!step_due()) {
        TIM_CR1(TIM3) = TIM_CR1_URS;
        return;
    }
    /* the clock may be about to count */
    uint32_t fall_us = TIME_US_NOW + PULSE_US + 1u;
    GPIO_BSRR(GPIOB) = BIT(MOTOR_STEP_PIN);
    uint32_t ticks = step_interval();
    wait_until(fall_us);
    GPIO_BSRR(GPIOB) = BIT(MOTOR_STEP_PIN) << 16;
    woken = true;
    if (ticks)
        wait_on(ticks);
    else
        TIM_CR1(TIM3) = TIM_CR1_URS;
}

/* ---- samples */

void chip_sample_every(uint32_t ticks)
{
    uint8_t before = chip_lock();
    TIM_CR1(TIM5) = TIM_CR1_URS;
    TIM_CNT(TIM5) = 0;
    TIM_SR(TIM5) = 0;
    if (ticks) {
        TIM_ARR(TIM5) = ticks - 1u;
        TIM_CR1(TIM5) = TIM_CR1_URS | TIM_CR1_CEN;
    }
    chip_unlock(before);
}

void sample_interrupt(void)
{
    if (!(TIM_SR(TIM5) & TIM_SR_UIF))
        return;
    TIM_SR(TIM5) = 0;
    sample_due(TIME_US_NOW);
    woken = true;
}

/* ---- the chip's own converter */

void begin_adc(void)
{
    RCC_APB2ENR |= RCC_APB2ENR_ADC1;
    ADC_CCR = ADC_CCR_ADCPRE_4 | ADC_CCR_TSVREFE;
    ADC1_CR2 = ADC_CR2_ADON;
    ADC1_SMPR2 = ADC_SMPR2_84_CYCLES(ANALOGUE_PIN);
    wait_until(TIME_US_NOW + 20u);
}

void start_adc(uint32_t channel)
{
    ADC1_SQR3 = channel;
    ADC1_CR2 = ADC_CR2_ADON | ADC_CR2_SWSTART;
}

/* There is no EEPROM: the last bits of readings of a voltage, shifted through the polynomial of the frames, so that a bias
 * of the bits spreads. One boot in 65 536 repeats the number before. */
uint16_t chip_next_boot_id(void)
{
    uint16_t noise = 0;
    begin_adc();
    for (uint8_t i = 0; i < 64; i++) {
        start_adc(CHANNEL_REFERENCE);
        for (uint32_t began_us = TIME_US_NOW; !(ADC1_SR & ADC_SR_EOC) && TIME_US_NOW - began_us < LONGEST_READING_US;)
            ;
        bool out = ((noise >> 15 ^ ADC1_DR) & 1u) != 0;
        noise = (uint16_t)(noise << 1 ^ (out ? 0x1021u : 0u));
    }
    return noise;
}

/* ---- start */

/* Every reset pulls the reset pin low, and power on looks like a brown-out as well. */
static uint8_t reset_cause(void)
{
    uint32_t had = RCC_CSR;
    RCC_CSR |= RCC_CSR_RMVF;
    if (had & RCC_CSR_IWDGRSTF)
        return RESET_BY_WATCHDOG;
    if (had & RCC_CSR_PORRSTF)
        return RESET_BY_POWER;
    if (had & RCC_CSR_BORRSTF)
        return RESET_BY_BROWN_OUT;
    return (had & (RCC_CSR_PINRSTF | RCC_CSR_SFTRSTF)) ? RESET_FROM_OUTSIDE : 0u;
}

void let_interrupt(uint32_t interrupt, uint32_t priority)
{
    NVIC_IPR(interrupt) = (uint8_t)(priority << 6);
    NVIC_ISER(interrupt) = NVIC_BIT(interrupt);
}

void pin_mode(uint32_t port, uint32_t pin, uint32_t mode, uint32_t pull)
{
    GPIO_PUPDR(port) = (GPIO_PUPDR(port) & ~(3u << 2u * pin)) | pull << 2u * pin;
    GPIO_MODER(port) = (GPIO_MODER(port) & ~(3u << 2u * pin)) | mode << 2u * pin;
}

void pin_alternate(uint32_t port, uint32_t pin, uint32_t function, uint32_t pull)
{
    GPIO_AFR(port, pin) = (GPIO_AFR(port, pin) & ~(15u << 4u * (pin % 8u))) | function << 4u * (pin % 8u);
    pin_mode(port, pin, GPIO_MODE_ALTERNATE, pull);
}

static void begin_pins(void)
{
    static const uint8_t outputs[] = {MOTOR_POWER_PIN, MOTOR_DIR_PIN, MOTOR_STEP_PIN, AMPLIFIER_CLOCK_PIN};
    /* pulled up, a wire that came off reads as silence or as a pressed switch */
    static const uint8_t inputs[] = {SCALE_A_PIN, SCALE_B_PIN, AMPLIFIER_DATA_PIN, HOME_PIN, UPPER_PIN, STOP_PIN};
    RCC_AHB1ENR |= RCC_AHB1ENR_GPIOA | RCC_AHB1ENR_GPIOB;
    chip_power(false);
    for (uint32_t i = 0; i < sizeof outputs; i++)
        pin_mode(GPIOB, outputs[i], GPIO_MODE_OUTPUT, GPIO_PULL_NONE);
    for (uint32_t i = 0; i < sizeof inputs; i++)
        pin_mode(GPIOB, inputs[i], GPIO_MODE_INPUT, GPIO_PULL_UP);
    pin_mode(GPIOA, LAMP_PIN, GPIO_MODE_OUTPUT, GPIO_PULL_NONE);
}

/* 1 MHz times 336, divided by 4 for the processor and by 7 for USB. A crystal that does not swing leaves the chip silent
 * here, with the motor's current off; one that stops later brings a fault, and the watchdog ends that. */
__attribute__((unused)) static void begin_clocks(void)
{
    FLASH_ACR = FLASH_ACR_LATENCY_2 | FLASH_ACR_PRFTEN | FLASH_ACR_ICEN | FLASH_ACR_DCEN;
    RCC_CR |= RCC_CR_HSEON;
    while (!(RCC_CR & RCC_CR_HSERDY))
        ;
    RCC_PLLCFGR = (RCC_PLLCFGR & ~RCC_PLLCFGR_USED) | CRYSTAL_MHZ | RCC_PLLCFGR_PLLN(336) | RCC_PLLCFGR_PLLP_4 | RCC_PLLCFGR_PLLSRC_HSE | RCC_PLLCFGR_PLLQ(7);
    RCC_CR |= RCC_CR_PLLON;
    while (!(RCC_CR & RCC_CR_PLLRDY))
        ;
    /* the bus of the timers at half the processor's clock, and the timers at twice the bus's */
    RCC_CFGR = RCC_CFGR_PPRE1_2 | RCC_CFGR_SW_PLL;
    while ((RCC_CFGR & RCC_CFGR_SWS) != RCC_CFGR_SWS_PLL)
        ;
    RCC_CR |= RCC_CR_CSSON;
}

static void begin_timers(void)
{
    RCC_APB1ENR |= RCC_APB1ENR_TIM2 | RCC_APB1ENR_TIM3 | RCC_APB1ENR_TIM5;
    begin_timer(TIM2, 1000000u);
    TIM_DIER(TIM2) = 0;
    TIM_CR1(TIM2) = TIM_CR1_CEN;
    begin_timer(TIM3, TICKS_PER_S);
    begin_timer(TIM5, TICKS_PER_S);
    STK_LOAD = PROCESSOR_HZ / TURN_HZ - 1u;
    STK_VAL = 0;
    STK_CTRL = STK_CTRL_CLKSOURCE | STK_CTRL_TICKINT | STK_CTRL_ENABLE;
}

static void begin_interrupts(void)
{
    RCC_APB2ENR |= RCC_APB2ENR_SYSCFG;
    SYSCFG_EXTICR(SCALE_A_PIN) |= EXTICR_PORT_B(SCALE_A_PIN);
    SYSCFG_EXTICR(SCALE_B_PIN) |= EXTICR_PORT_B(SCALE_B_PIN);
    SYSCFG_EXTICR(AMPLIFIER_DATA_PIN) |= EXTICR_PORT_B(AMPLIFIER_DATA_PIN);
    EXTI_RTSR |= SCALE_EDGES;
    EXTI_FTSR |= SCALE_EDGES | READY_EDGE;
    EXTI_PR = SCALE_EDGES;
    EXTI_IMR |= SCALE_EDGES;
    let_interrupt(INTERRUPT_EXTI9_5, 0);
    let_interrupt(INTERRUPT_EXTI15_10, 0);
    let_interrupt(INTERRUPT_TIM3, 1);
    let_interrupt(INTERRUPT_TIM5, 2);
    SCB_SHPR3 = 0xC0000000u; /* SysTick */
}

static void begin_watchdog(void)
{
    IWDG_KR = IWDG_KR_START;
    IWDG_KR = IWDG_KR_WRITE;
    IWDG_PR = IWDG_PR_4;
    IWDG_RLR = WATCHDOG_COUNTS;
    while (IWDG_SR)
        ;
    IWDG_KR = IWDG_KR_RELOAD;
}

/* Rest until an interrupt, unless one has come since the last turn: an interrupt is an event, so that one that comes
 * just before the chip would rest wakes it all the same. */
static void rest(void)
{
    while (!woken)
        __asm__ volatile("wfe" ::: "memory");
    woken = false;
}

int main(void)
{
    chip_lock();
    begin_pins();
#ifndef WITHOUT_CLOCK_REGISTERS /* an emulator that has none is never ready */
    begin_clocks();
#endif
    begin_timers();
    begin_interrupts();
    line_begin();
    press_begin(reset_cause(), scale_lines());
    begin_watchdog();
    chip_unlock(0);
    for (;;) {
        press_poll();
        if (ticked) {
            ticked = false;
            IWDG_KR = IWDG_KR_RELOAD;
        }
        rest();
    }
}
