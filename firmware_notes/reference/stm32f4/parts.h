/* What the files of this port share. */
#ifndef PARTS_H
#define PARTS_H

#include <stdint.h>

/* The crystal on the board: 25 MHz on most with an F401 or F411, 8 MHz on many with an F405. (common practice, no source) */
#ifndef CRYSTAL_MHZ
#define CRYSTAL_MHZ 25u
#endif

#define PROCESSOR_HZ 84000000u
/* timers 2 to 5, and the USART; SPI2 and I2C1 have half of it */
#define TIMER_HZ PROCESSOR_HZ
#define USART_HZ PROCESSOR_HZ

#define TIME_US_NOW TIM_CNT(TIM2)

void pin_mode(uint32_t port, uint32_t pin, uint32_t mode, uint32_t pull);
void pin_alternate(uint32_t port, uint32_t pin, uint32_t function, uint32_t pull);

/* A timer that counts at so many hertz, stopped; with an interrupt whenever it turns over. */
void begin_timer(uint32_t timer, uint32_t hertz);

/* The highest priority is 0; each interrupt of this port has one of 0 to 3. */
void let_interrupt(uint32_t interrupt, uint32_t priority);

/* One reading of the chip's own converter. */
void begin_adc(void);
void start_adc(uint32_t channel);

/* The way to the host: clocks and interrupts are there. (uart.c or usb.c) */
void line_begin(void);

/* From an interrupt: the loop turns now, rather than at the next millisecond. */
void wake_loop(void);

#endif
