/* The way to the host by the chip's UART and an adapter. Its clock is the crystal's, which 250 000 baud divide exactly. */
#include "../core/chip.h"
#include "parts.h"
#include "pins.h"
#include "registers.h"

#define BAUD 250000u

static uint8_t sent[256], heard[128];
static volatile uint8_t sent_head, sent_tail, heard_head, heard_tail;

uint8_t chip_send_room(void)
{
    return (uint8_t)(sent_tail - sent_head - 1);
}

/* The line asks for more when it has run half empty, not while it is: so it is filled whenever there is something. */
static void fill_line_locked(void)
{
    while (sent_tail != sent_head && !(UART_FLAGS & UART_OUT_FULL))
        UART_DATA = sent[sent_tail++];
    if (sent_tail == sent_head)
        CLEAR(UART_INTERRUPTS) = UART_OUT;
    else
        SET(UART_INTERRUPTS) = UART_OUT;
}

void chip_send(const uint8_t *bytes, uint8_t count)
{
    uint8_t head = sent_head;
    while (count--)
        sent[head++] = *bytes++;
    uint8_t before = chip_lock();
    sent_head = head;
    fill_line_locked();
    chip_unlock(before);
}

void uart_interrupt(void)
{
    UART_INTERRUPTS_CLEAR = UART_IN | UART_IN_PAUSE | UART_OUT;
    while (!(UART_FLAGS & UART_IN_EMPTY)) {
        uint8_t byte = (uint8_t)UART_DATA, next = (uint8_t)((heard_head + 1u) % sizeof heard);
        if (next != heard_tail) {
            heard[heard_head] = byte;
            heard_head = next;
        }
        wake_loop();
    }
    uint8_t before = chip_lock();
    fill_line_locked();
    chip_unlock(before);
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

void line_begin(void)
{
    PAD(SERIAL_IN_PIN) = PAD_INPUT | PAD_PULL_UP | PAD_SCHMITT;
    PAD(SERIAL_OUT_PIN) = PAD_4_MA;
    PIN_CONTROL(SERIAL_IN_PIN) = FUNCTION_UART;
    PIN_CONTROL(SERIAL_OUT_PIN) = FUNCTION_UART;
    let_out_of_reset(RESET_UART0);
    UART_DIVIDER = CRYSTAL_HZ / 16u / BAUD;
    UART_DIVIDER_64THS = 0;
    UART_LINE = UART_8_BITS_WITH_FIFO;
    UART_CONTROL = UART_ON_BOTH_WAYS;
    REGISTER(UART_INTERRUPTS) = UART_IN | UART_IN_PAUSE;
    INTERRUPTS_ON = 1u << INTERRUPT_UART0;
}
