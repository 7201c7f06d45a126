/* From the second stage to main(): vectors, and the program's way into RAM. */
#include <stdint.h>

#include "registers.h"

extern uint32_t ram_from[], ram_begin[], ram_end[], zero_begin[], zero_end[], stack_top[];

int main(void);
void step_interrupt(void);
void sample_interrupt(void);
void turn_interrupt(void);
void pins_interrupt(void);
/* of what is built in */
__attribute__((weak)) void uart_interrupt(void);
__attribute__((weak)) void usb_interrupt(void);
__attribute__((weak)) void adc_interrupt(void);

__attribute__((noreturn, used)) static void stopped(void)
{
    /* a fault: the watchdog ends it, and with it the motor's current */
    for (;;)
        ;
}

/* What runs in flash: no function may be called before the program is in RAM. */
__attribute__((noreturn, used, section(".first"))) void start(void)
{
    const uint32_t *from = ram_from;
    for (volatile uint32_t *to = ram_begin; to != ram_end; to++)
        *to = *from++;
    for (volatile uint32_t *to = zero_begin; to != zero_end; to++)
        *to = 0;
    VECTORS = (uint32_t)ram_begin;
    main();
    stopped();
}

typedef void (*vector)(void);

/* The first two words, for the way there. */
__attribute__((used, section(".first_vectors"))) const vector first_vectors[] = {(vector)stack_top, start};

__attribute__((used, section(".vectors"))) const vector vectors[16 + 32] = {
    (vector)stack_top,
    start,
    stopped, /* NMI */
    stopped, /* hard fault */
    [16 + INTERRUPT_TIMER(0)] = step_interrupt,
    [16 + INTERRUPT_TIMER(1)] = sample_interrupt,
    [16 + INTERRUPT_TIMER(2)] = turn_interrupt,
    [16 + INTERRUPT_USB] = usb_interrupt,
    [16 + INTERRUPT_PINS] = pins_interrupt,
    [16 + INTERRUPT_UART0] = uart_interrupt,
    [16 + INTERRUPT_ADC] = adc_interrupt,
};
