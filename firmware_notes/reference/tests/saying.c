/* Where the results of the tests go: standard output, or the chip's serial line. */
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
