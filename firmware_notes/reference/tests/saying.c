/* Where the results of the tests go: standard output, or the chip's serial line, or the console of a Cortex-M's debugger. */
#include "fake_chip.h"

#ifdef __AVR__

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

static void put(char letter)
{
    UCSR0B = _BV(TXEN0);
    while (!(UCSR0A & _BV(UDRE0)))
        ;
    UDR0 = (uint8_t)letter;
}

void say(const char *text)
{
    for (char letter; (letter = (char)pgm_read_byte(text)); text++)
        put(letter);
}

void say_end(int failures)
{
    (void)failures;
    while (!(UCSR0A & _BV(UDRE0)))
        ;
    /* asleep without interrupts: the simulator takes that for the end */
    cli();
    sleep_enable();
    sleep_cpu();
}

#elif defined(__ARM_ARCH_PROFILE) && __ARM_ARCH_PROFILE == 'M'

/* Semihosting: a breakpoint with this number asks the debugger, or the emulator, for a service. (Arm, "Semihosting for
 * AArch32 and AArch64", recalled.) */
#define WRITE_LETTER 0x03u
#define END_WITH_CODE 0x20u
#define ENDED_BY_ITSELF 0x20026u

static void ask(uint32_t service, const void *about)
{
    register uint32_t number __asm__("r0") = service;
    register const void *block __asm__("r1") = about;
    __asm__ volatile("bkpt 0xAB" : "+r"(number) : "r"(block) : "memory");
}

static void put(char letter)
{
    ask(WRITE_LETTER, &letter);
}

void say(const char *text)
{
    while (*text)
        put(*text++);
}

void say_end(int failures)
{
    const uint32_t why[] = {ENDED_BY_ITSELF, failures ? 1u : 0u};
    ask(END_WITH_CODE, why);
}

#else

#include <stdio.h>
#include <stdlib.h>

static void put(char letter)
{
    putchar(letter);
}

void say(const char *text)
{
    fputs(text, stdout);
}

void say_end(int failures)
{
    exit(failures ? 1 : 0);
}

#endif

void say_number(uint16_t number)
{
    if (number >= 10)
        say_number(number / 10);
    put((char)('0' + number % 10));
}
