/* The way to the host by the chip's USART 1 and an adapter. 250 000 baud divide its clock exactly. */
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

static void fill_line_locked(void)
{
    while (sent_tail != sent_head && (USART1_SR & USART_SR_TXE))
        USART1_DR = sent[sent_tail++];
    if (sent_tail == sent_head)
        USART1_CR1 &= ~USART_CR1_TXEIE;
    else
        USART1_CR1 |= USART_CR1_TXEIE;
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
    /* a byte that came too late to be taken is forgotten by the same reading */
    if (USART1_SR & (USART_SR_RXNE | USART_SR_ORE)) {
        uint8_t byte = (uint8_t)USART1_DR, next = (uint8_t)((heard_head + 1u) % sizeof heard);
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
    pin_alternate(GPIOA, SERIAL_OUT_PIN, ALTERNATE_USART1, GPIO_PULL_NONE);
    pin_alternate(GPIOA, SERIAL_IN_PIN, ALTERNATE_USART1, GPIO_PULL_UP);
    RCC_APB2ENR |= RCC_APB2ENR_USART1;
    USART1_BRR = USART_HZ / BAUD;
    USART1_CR1 = USART_CR1_UE | USART_CR1_TE | USART_CR1_RE | USART_CR1_RXNEIE;
    let_interrupt(INTERRUPT_USART1, 2);
}
