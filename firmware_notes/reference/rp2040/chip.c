/* The RP2040: one core of it, at 48 MHz from a crystal of 12 MHz.
 *
 * The timer counts microseconds: alarm 0 makes the steps, alarm 1 the samples, and alarm 2 turns the loop each
 * millisecond. The watchdog is fed only when both alarm 2 and the loop are alive. The way to the host is uart.c or usb.c.
 *
 * The scale and the amplifier have the highest priority and are let in everywhere but under the lock; then come steps,
 * samples, and the rest. All code runs from RAM (start.c), so that no interrupt waits for the flash.
 */
#include "../core/chip.h"

#include "../core/press.h"
#include "parts.h"
#include "pins.h"
#include "registers.h"

#define ALARM_STEP 0u
#define ALARM_SAMPLE 1u
#define ALARM_TURN 2u
#define TURN_US 1000u
/* An alarm is noticed only when the timer shows it: one that would be due sooner than this may be missed. */
#define SOONEST_US 2u

/* the least that motor drivers ask of a pulse */
#define PULSE_US 4u
#define WATCHDOG_US 120000u

#define SCALE_EDGES (EDGE_BOTH(SCALE_A_PIN) | EDGE_BOTH(SCALE_B_PIN))
#if defined(CONVERTER_i2c)
#define READY_PIN I2C_READY_PIN
#else
#define READY_PIN AMPLIFIER_DATA_PIN
#endif
#define READY_EDGE EDGE_FALL(READY_PIN)
typedef char pins_share_a_register[SCALE_A_PIN / 8 == SCALE_B_PIN / 8 && SCALE_A_PIN / 8 == READY_PIN / 8 ? 1 : -1];

/* A wait that is counted in half microseconds on a timer of whole ones: what is left goes into the next. */
struct wait {
    uint32_t at_us;
    uint32_t rest;
};

static struct wait step, sample;
static uint32_t sample_ticks;
static volatile bool ticked, woken;

/* ---- clock */

uint32_t chip_time_us(void)
{
    return TIMER_NOW;
}

static void wait_until(uint32_t time_us)
{
    while ((int32_t)(time_us - TIMER_NOW) > 0)
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

/* Not to be interrupted between the look at the timer and the alarm. */
static void wait_on_locked(struct wait *wait, uint32_t alarm, uint32_t ticks)
{
    ticks += wait->rest;
    wait->rest = ticks % 2u;
    wait->at_us += ticks / 2u;
    if ((int32_t)(wait->at_us - TIMER_NOW) < (int32_t)SOONEST_US)
        wait->at_us = TIMER_NOW + SOONEST_US;
    TIMER_ALARM(alarm) = wait->at_us;
}

static void wait_from_now(struct wait *wait, uint32_t alarm, uint32_t ticks)
{
    uint8_t before = chip_lock();
    TIMER_ARMED = 1u << alarm;
    TIMER_DUE = 1u << alarm;
    wait->at_us = TIMER_NOW;
    wait->rest = 0;
    if (ticks)
        wait_on_locked(wait, alarm, ticks);
    chip_unlock(before);
}

static void wait_on(struct wait *wait, uint32_t alarm, uint32_t ticks)
{
    uint8_t before = chip_lock();
    wait_on_locked(wait, alarm, ticks);
    chip_unlock(before);
}

void wake_loop(void)
{
    woken = true;
}

void turn_interrupt(void)
{
    static struct wait turn;
    TIMER_DUE = 1u << ALARM_TURN;
    ticked = woken = true;
    turn.at_us = TIMER_NOW;
    wait_on(&turn, ALARM_TURN, TURN_US * (TICKS_PER_S / 1000000u));
}

/* ---- scale, amplifier, switches */

static uint8_t scale_lines(void)
{
    return (uint8_t)(PINS_IN >> SCALE_A_PIN) & 3u;
}

void pins_interrupt(void)
{
    uint32_t pending = REGISTER(EDGES_PENDING(SCALE_A_PIN));
    /* forgotten before the lines are looked at, so that an edge that comes in between is looked at again */
    REGISTER(EDGES(SCALE_A_PIN)) = pending;
    if (pending & SCALE_EDGES)
        quadrature_edge(scale_lines());
    if (pending & READY_EDGE) {
        CLEAR(EDGES_ENABLED(READY_PIN)) = READY_EDGE;
        amplifier_ended(TIMER_NOW);
        woken = true;
    }
}

/* Half of a pulse of the amplifier's clock: 0.2 us at least, ten cycles of the processor. */
static void half_pulse(void)
{
    __asm__ volatile(".rept 10\n nop\n .endr");
}

bool chip_amplifier_bit(void)
{
    uint8_t before = chip_lock();
    PINS_HIGH = PIN(AMPLIFIER_CLOCK_PIN);
    half_pulse();
    bool bit = (PINS_IN & PIN(AMPLIFIER_DATA_PIN)) != 0;
    PINS_LOW = PIN(AMPLIFIER_CLOCK_PIN);
    chip_unlock(before);
    half_pulse();
    return bit;
}

/* The chip's own converter needs no line: what it adds up tells of itself. */
void chip_amplifier_watch(void)
{
#if !defined(CONVERTER_own_adc)
    uint8_t before = chip_lock();
    REGISTER(EDGES(READY_PIN)) = READY_EDGE;
    if (PINS_IN & PIN(READY_PIN))
        SET(EDGES_ENABLED(READY_PIN)) = READY_EDGE;
    else
        amplifier_ended(TIMER_NOW); /* it fell while nobody looked */
    chip_unlock(before);
#endif
}

uint8_t chip_switches(void)
{
    uint32_t open = PINS_IN;
    return (uint8_t)(((open & PIN(HOME_PIN)) ? SWITCH_HOME : 0u) | ((open & PIN(UPPER_PIN)) ? SWITCH_UPPER : 0u)
                     | ((open & PIN(STOP_PIN)) ? SWITCH_STOP : 0u));
}

/* ---- motor */

void chip_direction(bool pressing)
{
    if (pressing)
        PINS_HIGH = PIN(MOTOR_DIR_PIN);
    else
        PINS_LOW = PIN(MOTOR_DIR_PIN);
}

void chip_power(bool on)
{
    if (on) {
        PINS_LOW = PIN(MOTOR_POWER_PIN);
        PINS_HIGH = PIN(LAMP_PIN);
    } else {
        PINS_HIGH = PIN(MOTOR_POWER_PIN);
        PINS_LOW = PIN(LAMP_PIN);
    }
}

bool chip_powered(void)
{
    return !(PINS_IN & PIN(MOTOR_POWER_PIN));
}

void chip_step_after(uint32_t ticks)
{
    wait_from_now(&step, ALARM_STEP, ticks);
}

void step_interrupt(void)
{
    /* an alarm may have been set anew after it had rung: then this is not yet the step's time */
    if (!(TIMER_DUE & 1u << ALARM_STEP))
        return;
    TIMER_DUE = 1u << ALARM_STEP;
    if (!step_due())
        return;
    /* the timer may be about to count */
    uint32_t fall_us = TIMER_NOW + PULSE_US + 1u;
    PINS_HIGH = PIN(MOTOR_STEP_PIN);
    uint32_t ticks = step_interval();
    wait_until(fall_us);
    PINS_LOW = PIN(MOTOR_STEP_PIN);
    woken = true;
    if (ticks)
        wait_on(&step, ALARM_STEP, ticks);
}

/* ---- samples */

void chip_sample_every(uint32_t ticks)
{
    sample_ticks = ticks;
    wait_from_now(&sample, ALARM_SAMPLE, ticks);
}

void sample_interrupt(void)
{
    if (!(TIMER_DUE & 1u << ALARM_SAMPLE))
        return;
    TIMER_DUE = 1u << ALARM_SAMPLE;
    sample_due(TIMER_NOW);
    woken = true;
    wait_on(&sample, ALARM_SAMPLE, sample_ticks);
}

/* ---- start */

/* There is no EEPROM: bits of the ring oscillator, some microseconds apart, shifted through the polynomial of the frames,
 * so that a bias of the bits spreads. One boot in 65 536 repeats the number before. */
uint16_t chip_next_boot_id(void)
{
    uint16_t noise = (uint16_t)TIMER_NOW;
    for (uint8_t i = 0; i < 64; i++) {
        wait_until(TIMER_NOW + 3u);
        bool out = (noise >> 15 ^ (RING_RANDOM_BIT & 1u)) != 0;
        noise = (uint16_t)(noise << 1 ^ (out ? 0x1021u : 0u));
    }
    return noise;
}

/* The chip remembers until the next reset why it was reset; of a sagging supply it only says that power came. */
static uint8_t reset_cause(void)
{
    if (WATCHDOG_REASON)
        return RESET_BY_WATCHDOG;
    uint32_t had = CHIP_RESET;
    return (uint8_t)(((had & HAD_POWER_ON) ? RESET_BY_POWER : 0u)
                     | ((had & (HAD_RUN_PIN | HAD_DEBUGGER)) ? RESET_FROM_OUTSIDE : 0u));
}

void let_out_of_reset(uint32_t parts)
{
    CLEAR(RESETS) = parts;
    while ((REGISTER(RESETS_DONE) & parts) != parts)
        ;
}

/* 12 MHz times 100, divided by 5 and by 5. */
static void begin_clocks(void)
{
    REGISTER(CRYSTAL_CONTROL) = CRYSTAL_RANGE_1_TO_15_MHZ;
    REGISTER(CRYSTAL_STARTUP) = CRYSTAL_HZ / 1000u / 256u; /* a millisecond, in 256 of its cycles */
    SET(CRYSTAL_CONTROL) = CRYSTAL_ENABLE;
    while (!(REGISTER(CRYSTAL_STATUS) & CRYSTAL_STABLE))
        ;
    REGISTER(CLOCK_REF_CONTROL) = CLOCK_REF_CRYSTAL;
    while (!(REGISTER(CLOCK_REF_SELECTED) & 1u << CLOCK_REF_CRYSTAL))
        ;
    let_out_of_reset(RESET_PLL_USB);
    REGISTER(PLL_USB_CONTROL) = 1;
    REGISTER(PLL_USB_FEEDBACK) = 100;
    CLEAR(PLL_USB_POWER) = PLL_MAIN_AND_VCO_OFF;
    while (!(REGISTER(PLL_USB_CONTROL) & PLL_LOCKED))
        ;
    REGISTER(PLL_USB_POST) = 5u << 16 | 5u << 12;
    CLEAR(PLL_USB_POWER) = PLL_POST_OFF;
    /* the source behind the switch first, then the switch */
    REGISTER(CLOCK_SYS_CONTROL) = CLOCK_SYS_AUX_PLL_USB;
    REGISTER(CLOCK_SYS_CONTROL) = CLOCK_SYS_AUX_PLL_USB | CLOCK_SYS_AUX;
    while (!(REGISTER(CLOCK_SYS_SELECTED) & 1u << CLOCK_SYS_AUX))
        ;
    REGISTER(CLOCK_PERI_CONTROL) = CLOCK_PERI_CRYSTAL | CLOCK_ENABLE;
    /* the timer and the watchdog count microseconds of this */
    WATCHDOG_TICK = CRYSTAL_HZ / 1000000u | WATCHDOG_TICK_ON;
}

static void begin_pins(void)
{
    static const uint8_t outputs[] = {MOTOR_POWER_PIN, MOTOR_DIR_PIN, MOTOR_STEP_PIN, AMPLIFIER_CLOCK_PIN, LAMP_PIN};
    /* pulled up, a wire that came off reads as silence or as a pressed switch */
    static const uint8_t inputs[] = {SCALE_A_PIN, SCALE_B_PIN, AMPLIFIER_DATA_PIN, I2C_READY_PIN, HOME_PIN, UPPER_PIN, STOP_PIN};
    let_out_of_reset(RESET_IO_BANK0 | RESET_PADS_BANK0);
    PINS_LOW = 0xFFFFFFFFu;
    chip_power(false);
    for (uint32_t i = 0; i < sizeof outputs; i++) {
        PAD(outputs[i]) = PAD_4_MA | PAD_INPUT; /* the motor's is read back */
        PINS_OUTPUT = PIN(outputs[i]);
        PIN_CONTROL(outputs[i]) = FUNCTION_SIO;
    }
    for (uint32_t i = 0; i < sizeof inputs; i++) {
        PAD(inputs[i]) = PAD_INPUT | PAD_PULL_UP | PAD_SCHMITT;
        PIN_CONTROL(inputs[i]) = FUNCTION_SIO;
    }
}

static void begin_interrupts(void)
{
    let_out_of_reset(RESET_TIMER);
    REGISTER(TIMER_INTERRUPTS) = 1u << ALARM_STEP | 1u << ALARM_SAMPLE | 1u << ALARM_TURN;
    TIMER_ALARM(ALARM_TURN) = TIMER_NOW + TURN_US;
    REGISTER(EDGES(SCALE_A_PIN)) = SCALE_EDGES;
    SET(EDGES_ENABLED(SCALE_A_PIN)) = SCALE_EDGES;
    /* scale and converter 0, steps 1, samples 2, the rest 3 */
    INTERRUPT_PRIORITIES(0) = 0xC0C08040u;
    INTERRUPT_PRIORITIES(INTERRUPT_USB / 4u) = 0xC0C0C0C0u;
    INTERRUPT_PRIORITIES(INTERRUPT_UART0 / 4u) = 0xC000C0C0u;
    INTERRUPTS_ON = 1u << INTERRUPT_TIMER(ALARM_STEP) | 1u << INTERRUPT_TIMER(ALARM_SAMPLE)
        | 1u << INTERRUPT_TIMER(ALARM_TURN) | 1u << INTERRUPT_PINS;
}

/* The watchdog counts twice in each microsecond (errata E1 of the datasheet, recalled). */
static void feed_watchdog(void)
{
    WATCHDOG_LOAD = 2u * WATCHDOG_US;
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
    begin_clocks();
    begin_interrupts();
    line_begin();
    press_begin(reset_cause(), scale_lines());
    feed_watchdog();
    REGISTER(POWER_ON_WATCHDOG_RESETS) = ALL_BUT_OSCILLATORS;
    SET(WATCHDOG_CONTROL) = WATCHDOG_ON;
    chip_unlock(0);
    for (;;) {
        press_poll();
        if (ticked) {
            ticked = false;
            feed_watchdog();
        }
        rest();
    }
}
