/* The ATmega328P, by simavr. */
#include <stdio.h>
#include <string.h>

#include <avr_extint.h>
#include <avr_ioport.h>
#include <avr_timer.h>
#include <avr_uart.h>
#include <sim_avr.h>
#include <sim_elf.h>

#include "bench.h"
#include "cable.h"
#include "press_model.h"
#include "schedule.h"
#include "simulated_chip.h"

#define MCUSR_ADDRESS 0x54
#define TIMSK0_ADDRESS 0x6E
#define TIMSK1_ADDRESS 0x6F
#define OCR1A_ADDRESS 0x88
#define OCR1B_ADDRESS 0x8A
#define OCIE1A_BIT 1
#define TIMER1_CYCLES_PER_TICK 8u
/* 100 us: the interrupt that a compare brings has moved it on by then */
#define LOST_TICKS 200u
/* The firmware sets no compare further ahead than this (LONGEST_TICKS of ../atmega328p/chip.c): what seems to have passed
 * longer ago lies ahead. */
#define AHEAD_TICKS 0x7000u

struct pin {
    char port;
    int number;
};

/* pins of ../atmega328p/pins.h */
static const struct pin in[INPUTS] = {{'D', 2}, {'D', 3}, {'D', 5}, {'C', 0}, {'C', 1}, {'C', 2}};
static const struct pin out[OUTPUTS] = {{'B', 1}, {'B', 0}, {'B', 2}, {'B', 5}, {'D', 4}};

static avr_t *avr;
static uint8_t driven[3], level[3]; /* ports B, C, D */
static bool was_reset, ended;
static unsigned stack_bytes;
static void (*reset_chip)(avr_t *);

static void no_sleep(avr_t *chip, avr_cycle_count_t cycles)
{
    (void)chip;
    (void)cycles;
}

static void quiet(avr_t *chip, const int severity, const char *format, va_list values)
{
    (void)chip;
    if (severity <= LOG_ERROR)
        vfprintf(stderr, format, values);
}

static void note_reset(avr_t *chip)
{
    reset_chip(chip);
    was_reset = true;
}

static avr_irq_t *pin_irq(struct pin pin)
{
    return avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(pin.port), pin.number);
}

static void pin_changed(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    model_output((enum output)((const struct pin *)param - out), value & 1u);
}

static void said(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    cable_chip_said((uint8_t)value);
}

bool chip_load(const char *program)
{
    elf_firmware_t firmware = {0};
    avr_global_logger_set(quiet);
    if (elf_read_firmware(program, &firmware)) {
        fprintf(stderr, "bench: %s is no program\n", program);
        return false;
    }
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr)
        return false;
    avr_init(avr);
    firmware.frequency = CYCLES_PER_S;
    avr_load_firmware(avr, &firmware);
    avr->sleep = no_sleep;
    avr->log = LOG_ERROR;
    reset_chip = avr->reset;
    avr->reset = note_reset;
    /* a line that is low before its interrupt is set up must not be taken for one that interrupts for ever */
    avr_extint_set_strict_lvl_trig(avr, 0, 0);
    avr_extint_set_strict_lvl_trig(avr, 1, 0);
    uint32_t flags = 0; /* neither lines on the console nor sleeps of the simulator's own */
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), said, NULL);
    for (unsigned line = 0; line < OUTPUTS; line++)
        avr_irq_register_notify(pin_irq(out[line]), pin_changed, (void *)&out[line]);
    return true;
}

uint64_t chip_cycles(void)
{
    return avr->cycle;
}

void chip_drive(enum input line, bool high)
{
    struct pin pin = in[line];
    int port = pin.port - 'B';
    uint8_t bit = (uint8_t)(1u << pin.number);
    driven[port] |= bit;
    level[port] = (uint8_t)(high ? level[port] | bit : level[port] & ~bit);
    /* a write to the port's pull-ups must not change it */
    avr_ioport_external_t external = {
        .name = (unsigned long)pin.port & 0x7Fu,
        .mask = driven[port],
        .value = level[port],
    };
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(pin.port), &external);
    avr_raise_irq(pin_irq(pin), high);
}

/* All lines again, since a reset of the simulated chip forgets them. */
static void drive_again(void)
{
    avr_extint_set_strict_lvl_trig(avr, 0, 0);
    avr_extint_set_strict_lvl_trig(avr, 1, 0);
    for (unsigned line = 0; line < INPUTS; line++) {
        struct pin pin = in[line];
        if (!(driven[pin.port - 'B'] >> pin.number & 1))
            continue;
        bool high = level[pin.port - 'B'] >> pin.number & 1;
        avr_raise_irq(pin_irq(pin), !high);
        chip_drive((enum input)line, high);
    }
}

/* simavr plans both compares of a timer anew at each write to one of them, and now and then loses the other (seen with
 * 1.6, once in some seconds of motion): the chip would wait for the timer's next turn, 33 ms. A real one does not, so
 * a compare that passed, is enabled, and brought no interrupt is given here, a little late. */
static void give_lost_compares(void)
{
    static avr_timer_t *timer;
    static uint16_t given[2];
    for (avr_io_t *io = avr->io_port; !timer && io; io = io->next)
        if (strcmp(io->kind, "timer") == 0 && ((avr_timer_t *)io)->name == '1')
            timer = (avr_timer_t *)io;
    uint16_t ticks = (uint16_t)((avr->cycle - timer->tov_base) / TIMER1_CYCLES_PER_TICK);
    for (int which = 0; which < 2; which++) {
        const uint8_t *at = avr->data + (which ? OCR1B_ADDRESS : OCR1A_ADDRESS);
        uint16_t compare = (uint16_t)(at[0] | at[1] << 8), since = (uint16_t)(ticks - compare);
        avr_int_vector_t *vector = &timer->comp[which].interrupt;
        bool enabled = avr->data[TIMSK1_ADDRESS] >> (OCIE1A_BIT + which) & 1;
        if (!enabled || since < LOST_TICKS) {
            given[which] = (uint16_t)(compare - 1u);
        } else if (since < 0x10000u - AHEAD_TICKS && !vector->pending && given[which] != compare) {
            /* a sleeping chip is run on to its next timer, a millisecond away at most: only then is it looked at again */
            given[which] = compare; /* once, although its interrupt takes a while to move it on */
            avr_raise_interrupt(avr, vector);
        }
    }
}

static avr_cycle_count_t wake(avr_t *chip, avr_cycle_count_t when, void *param)
{
    (void)chip;
    (void)when;
    (void)param;
    return 0;
}

void chip_run(uint64_t until)
{
    uint64_t wake_at = 0;
    while (avr->cycle < until && avr->cycle < schedule_next() && !ended) {
        uint64_t due = until < schedule_next() ? until : schedule_next();
        /* a sleeping chip is run on to its next timer: to this one, lest it sleep through what is due */
        if (due != wake_at) {
            avr_cycle_timer_register(avr, due - avr->cycle, wake, NULL);
            wake_at = due;
        }
        int state = avr_run(avr);
        give_lost_compares();
        unsigned used = avr->ramend - (unsigned)(avr->data[R_SPL] | avr->data[R_SPH] << 8);
        if (used > stack_bytes && used <= avr->ramend)
            stack_bytes = used;
        ended = state == cpu_Done || state == cpu_Crashed;
        if (was_reset) {
            was_reset = false;
            wake_at = 0;
            drive_again();
        }
    }
}

void chip_hear(uint8_t byte)
{
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), byte);
}

void chip_reset(enum reset_cause cause)
{
    static const uint8_t mcusr[] = {[RESET_POWER] = 0x01, [RESET_EXTERNAL] = 0x02, [RESET_BROWN_OUT] = 0x04};
    avr_reset(avr);
    avr->data[MCUSR_ADDRESS] = mcusr[cause];
    was_reset = false;
    drive_again();
}

void chip_hang(void)
{
    avr->data[TIMSK0_ADDRESS] = 0;
}

bool chip_ended(void)
{
    return ended;
}

unsigned chip_stack_bytes(void)
{
    return stack_bytes;
}

int main(int argc, char **argv)
{
    return bench_main(argc, argv);
}
