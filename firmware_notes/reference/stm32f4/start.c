/* From reset to main(): vectors, and what must lie in RAM. */
#include <stdint.h>

#include "registers.h"

extern uint32_t data_from[], data_begin[], data_end[], zero_begin[], zero_end[], stack_top[];

int main(void);
void turn_interrupt(void);
void scale_interrupt(void);
void amplifier_interrupt(void);
void step_interrupt(void);
void sample_interrupt(void);
/* of what is built in */
__attribute__((weak)) void uart_interrupt(void);
__attribute__((weak)) void usb_interrupt(void);
__attribute__((weak)) void adc_interrupt(void);

__attribute__((noreturn)) static void stopped(void)
{
    /* a fault, or a crystal that stopped: the watchdog ends it, and with it the motor's current */
    for (;;)
        ;
}

__attribute__((noreturn)) void start(void)
{
    const uint32_t *from = data_from;
    for (volatile uint32_t *to = data_begin; to != data_end; to++)
        *to = *from++;
    for (volatile uint32_t *to = zero_begin; to != zero_end; to++)
        *to = 0;
    main();
    stopped();
}

typedef void (*vector)(void);

__attribute__((used, section(".vectors"))) const vector vectors[16 + INTERRUPT_OTG_FS + 1] = {
    (vector)stack_top,
    start,
    stopped, /* NMI, which the clock's guard brings */
    stopped, /* faults */
    stopped,
    stopped,
    stopped,
    [15] = turn_interrupt,
    [16 + INTERRUPT_EXTI9_5] = scale_interrupt,
    [16 + INTERRUPT_TIM3] = step_interrupt,
    [16 + INTERRUPT_TIM4] = adc_interrupt,
    [16 + INTERRUPT_USART1] = uart_interrupt,
    [16 + INTERRUPT_EXTI15_10] = amplifier_interrupt,
    [16 + INTERRUPT_TIM5] = sample_interrupt,
    [16 + INTERRUPT_OTG_FS] = usb_interrupt,
};
