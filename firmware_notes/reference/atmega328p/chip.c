/* The ATmega328P at 16 MHz.
 *
 * Timer 1 runs freely at 2 MHz: it is the clock, compare A makes the steps, compare B the samples. Timer 0
 * turns the loop each millisecond. The watchdog is fed only when both the timer and the loop are alive.
 *
 * The scale's interrupts are short and are let in everywhere else: a step's arithmetic runs with interrupts on,
 * and the amplifier's bits hold them off for one clock pulse of a microsecond at a time.
 */
#include "../core/chip.h"

#include <avr/eeprom.h>
#include <avr/fuse.h>
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "../core/press.h"
#include "pins.h"

#define TICKS_PER_US 2u
/* Longest stretch that one compare covers; the rest is waited for in further ones. */
#define LONGEST_TICKS 0x7000u
/* A compare that would be due sooner than this may be missed. */
#define SOONEST_TICKS 16u

/* 4 us, the least that motor drivers ask of a pulse. */
#define LAST_PULSE_CYCLES 64

#define BAUD_DIVIDER (F_CPU / 16UL / 250000UL - 1UL)

/* Crystal of 16 MHz; the boot count outlives a new program, and no boot loader is started; brown-out below
 * 4.3 V, so that a sagging supply resets the chip rather than letting it wander. A board with a boot loader keeps its
 * own fuses. */
FUSES = {
    .low = 0xFF,
    .high = 0xD7,
    .extended = 0xFC,
};

static uint32_t turns;
static uint16_t ticks_before;
static uint32_t step_rest, sample_rest, sample_ticks;
static volatile bool ticked, woken;

static uint8_t sent[256], heard[128];
static volatile uint8_t sent_head, sent_tail, heard_head, heard_tail;

static uint8_t reset_cause __attribute__((section(".noinit")));

/* A watchdog that has bitten goes on running, so it is turned off before anything else. */
void note_cause(void) __attribute__((naked, used, section(".init3")));
void note_cause(void)
{
    reset_cause = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

/* ---- clock */

/* The loop asks at least each millisecond, and the timer turns over every 32: no turn is missed. */
static uint32_t now_locked(void)
{
    uint16_t ticks = TCNT1;
    if (ticks < ticks_before)
        turns++;
    ticks_before = ticks;
    return (turns << 15) + (ticks >> 1);
}

uint32_t chip_time_us(void)
{
    uint8_t before = chip_lock();
    uint32_t now = now_locked();
    chip_unlock(before);
    return now;
}

ISR(TIMER0_COMPA_vect)
{
    ticked = woken = true;
}

uint8_t chip_lock(void)
{
    uint8_t before = SREG;
    cli();
    return before;
}

void chip_unlock(uint8_t before)
{
    /* what was done under the lock must not be moved behind it by the compiler */
    __asm__ volatile("" ::: "memory");
    SREG = before;
}

/* ---- scale, amplifier, switches */

static uint8_t scale_lines(void)
{
    return (uint8_t)(SCALE_IN >> SCALE_A) & 3u;
}

ISR(INT0_vect)
{
    quadrature_edge(scale_lines());
}

ISR(INT1_vect, ISR_ALIASOF(INT0_vect));

ISR(PCINT2_vect)
{
    if (AMPLIFIER_IN & _BV(AMPLIFIER_DATA))
        return;
    PCICR &= (uint8_t)~_BV(PCIE2);
    amplifier_ended(now_locked());
    woken = true;
}

bool chip_amplifier_bit(void)
{
    uint8_t before = chip_lock();
    AMPLIFIER_OUT |= _BV(AMPLIFIER_CLOCK);
    __builtin_avr_delay_cycles(8);
    bool bit = (AMPLIFIER_IN & _BV(AMPLIFIER_DATA)) != 0;
    AMPLIFIER_OUT &= (uint8_t)~_BV(AMPLIFIER_CLOCK);
    chip_unlock(before);
    return bit;
}

void chip_amplifier_watch(void)
{
    uint8_t before = chip_lock();
    PCIFR = _BV(PCIF2);
    if (AMPLIFIER_IN & _BV(AMPLIFIER_DATA))
        PCICR |= _BV(PCIE2);
    else
        amplifier_ended(now_locked()); /* it fell while nobody looked */
    chip_unlock(before);
}

uint8_t chip_switches(void)
{
    uint8_t open = SWITCH_IN;
    return (uint8_t)(((open & _BV(HOME_PIN)) ? SWITCH_HOME : 0u) | ((open & _BV(UPPER_PIN)) ? SWITCH_UPPER : 0u)
                     | ((open & _BV(STOP_PIN)) ? SWITCH_STOP : 0u));
}

/* ---- motor */

void chip_direction(bool pressing)
{
    uint8_t before = chip_lock();
    if (pressing)
        MOTOR_OUT |= _BV(MOTOR_DIR);
    else
        MOTOR_OUT &= (uint8_t)~_BV(MOTOR_DIR);
    chip_unlock(before);
}

void chip_power(bool on)
{
    uint8_t before = chip_lock();
    if (on) {
        MOTOR_OUT &= (uint8_t)~_BV(MOTOR_POWER);
        LAMP_OUT |= _BV(LAMP_PIN);
    } else {
        MOTOR_OUT |= _BV(MOTOR_POWER);
        LAMP_OUT &= (uint8_t)~_BV(LAMP_PIN);
    }
    chip_unlock(before);
}

bool chip_powered(void)
{
    return !(MOTOR_IN & _BV(MOTOR_POWER));
}

/* The next compare of a wait that may be longer than one; what is left of the wait after it. */
static uint32_t wait_on(volatile uint16_t *compare, uint32_t ticks)
{
    uint16_t part = ticks > LONGEST_TICKS ? LONGEST_TICKS / 2u : (uint16_t)ticks;
    uint16_t next = (uint16_t)(*compare + part);
    if ((int16_t)(next - TCNT1) < (int16_t)SOONEST_TICKS)
        next = (uint16_t)(TCNT1 + SOONEST_TICKS);
    *compare = next;
    return ticks - part;
}

void chip_step_after(uint32_t ticks)
{
    uint8_t before = chip_lock();
    OCR1A = TCNT1;
    step_rest = wait_on(&OCR1A, ticks);
    TIFR1 = _BV(OCF1A);
    TIMSK1 |= _BV(OCIE1A);
    chip_unlock(before);
}

ISR(TIMER1_COMPA_vect)
{
    if (step_rest) {
        step_rest = wait_on(&OCR1A, step_rest);
        return;
    }
    TIMSK1 &= (uint8_t)~_BV(OCIE1A);
    if (!step_due())
        return;
    MOTOR_OUT |= _BV(MOTOR_STEP);
    sei();
    uint32_t ticks = step_interval();
    if (!ticks)
        __builtin_avr_delay_cycles(LAST_PULSE_CYCLES); /* nothing is worked out for the last: it would be short */
    cli();
    MOTOR_OUT &= (uint8_t)~_BV(MOTOR_STEP);
    woken = true;
    if (ticks) {
        step_rest = wait_on(&OCR1A, ticks);
        TIFR1 = _BV(OCF1A);
        TIMSK1 |= _BV(OCIE1A);
    }
}

/* ---- samples */

void chip_sample_every(uint32_t ticks)
{
    uint8_t before = chip_lock();
    TIMSK1 &= (uint8_t)~_BV(OCIE1B);
    sample_ticks = ticks;
    if (ticks) {
        OCR1B = TCNT1;
        sample_rest = wait_on(&OCR1B, ticks);
        TIFR1 = _BV(OCF1B);
        TIMSK1 |= _BV(OCIE1B);
    }
    chip_unlock(before);
}

ISR(TIMER1_COMPB_vect)
{
    if (!sample_rest) {
        sample_due(now_locked());
        sample_rest = sample_ticks;
        woken = true;
    }
    sample_rest = wait_on(&OCR1B, sample_rest);
}

/* ---- serial line */

uint8_t chip_send_room(void)
{
    return (uint8_t)(sent_tail - sent_head - 1);
}

void chip_send(const uint8_t *bytes, uint8_t count)
{
    uint8_t head = sent_head;
    while (count--)
        sent[head++] = *bytes++;
    uint8_t before = chip_lock();
    sent_head = head;
    UCSR0B |= _BV(UDRIE0);
    chip_unlock(before);
}

ISR(USART_UDRE_vect)
{
    UDR0 = sent[sent_tail++];
    if (sent_tail == sent_head)
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
}

ISR(USART_RX_vect)
{
    uint8_t byte = UDR0, next = (uint8_t)((heard_head + 1u) % sizeof heard);
    if (next != heard_tail) {
        heard[heard_head] = byte;
        heard_head = next;
    }
    woken = true;
}

int16_t chip_receive(void)
{
    uint8_t tail = heard_tail;
    if (tail == heard_head)
        return -1;
    uint8_t byte = heard[tail];
    heard_tail = (uint8_t)((tail + 1u) % sizeof heard);
    return byte;
}

/* ---- start */

static uint16_t boot_count EEMEM;

uint16_t chip_next_boot_id(void)
{
    uint16_t next = (uint16_t)(eeprom_read_word(&boot_count) + 1u);
    eeprom_update_word(&boot_count, next);
    return next;
}

static void begin_pins(void)
{
    chip_power(false);
    MOTOR_DIRECTION |= _BV(MOTOR_DIR) | _BV(MOTOR_STEP) | _BV(MOTOR_POWER);
    LAMP_DIRECTION |= _BV(LAMP_PIN);
    AMPLIFIER_DIRECTION |= _BV(AMPLIFIER_CLOCK);
    /* pulled up, a wire that came off reads as silence or as a pressed switch */
    AMPLIFIER_PULL |= _BV(AMPLIFIER_DATA);
    SCALE_PULL |= _BV(SCALE_A) | _BV(SCALE_B);
    SWITCH_PULL |= _BV(HOME_PIN) | _BV(UPPER_PIN) | _BV(STOP_PIN);
}

static void begin_interrupts(void)
{
    EICRA = _BV(ISC00) | _BV(ISC10);
    EIMSK = _BV(INT0) | _BV(INT1);
    PCMSK2 = _BV(AMPLIFIER_INTERRUPT);
    TCCR0A = _BV(WGM01);
    OCR0A = F_CPU / 64 / 1000 - 1;
    TIMSK0 = _BV(OCIE0A);
    TCCR0B = _BV(CS01) | _BV(CS00);
    TCCR1B = _BV(CS11);
    UBRR0 = BAUD_DIVIDER;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

/* Rest until an interrupt, unless one has come since the last turn. */
static void rest(void)
{
    cli();
    if (!woken) {
        sleep_enable();
        sei();
        sleep_cpu();
        sleep_disable();
    }
    sei();
    woken = false;
}

int main(void)
{
    begin_pins();
    begin_interrupts();
    SMCR = SLEEP_MODE_IDLE;
    press_begin((uint8_t)(reset_cause & (_BV(PORF) | _BV(EXTRF) | _BV(BORF) | _BV(WDRF))), scale_lines());
    wdt_enable(WDTO_120MS);
    sei();
    for (;;) {
        press_poll();
        if (ticked) {
            ticked = false;
            wdt_reset();
        }
        rest();
    }
}
