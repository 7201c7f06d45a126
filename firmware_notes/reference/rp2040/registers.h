/* The registers that this port uses. Names, addresses and bits: RP2040 datasheet (recalled), sections 2.14 resets, 2.15
 * clocks, 2.16 crystal, 2.18 PLL, 2.19 GPIO, 2.3.1 SIO, 4.1 USB, 4.2 UART, 4.3 I2C, 4.4 SPI, 4.6 timer, 4.7 watchdog, 4.9 ADC, and ARMv6-M's for the
 * interrupt controller. */
#ifndef REGISTERS_H
#define REGISTERS_H

#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))
/* The same register, whose bits that are one are set or cleared. */
#define SET(address) REGISTER((address) + 0x2000u)
#define CLEAR(address) REGISTER((address) + 0x3000u)

#define RESETS 0x4000C000u
#define RESETS_DONE 0x4000C008u
#define RESET_ADC (1u << 0)
#define RESET_I2C0 (1u << 3)
#define RESET_IO_BANK0 (1u << 5)
#define RESET_PADS_BANK0 (1u << 8)
#define RESET_PLL_USB (1u << 13)
#define RESET_SPI0 (1u << 16)
#define RESET_TIMER (1u << 21)
#define RESET_UART0 (1u << 22)
#define RESET_USB (1u << 24)

#define POWER_ON_WATCHDOG_RESETS 0x40010008u
#define ALL_BUT_OSCILLATORS 0x1FFFCu

#define CLOCK_REF_CONTROL 0x40008030u
#define CLOCK_REF_SELECTED 0x40008038u
#define CLOCK_REF_CRYSTAL 2u
#define CLOCK_SYS_CONTROL 0x4000803Cu
#define CLOCK_SYS_SELECTED 0x40008044u
#define CLOCK_SYS_AUX 1u
#define CLOCK_SYS_AUX_PLL_USB (1u << 5)
#define CLOCK_PERI_CONTROL 0x40008048u
#define CLOCK_PERI_CRYSTAL (4u << 5)
#define CLOCK_USB_CONTROL 0x40008054u
#define CLOCK_USB_PLL_USB (0u << 5)
#define CLOCK_ADC_CONTROL 0x40008060u
#define CLOCK_ADC_PLL_USB (0u << 5)
#define CLOCK_ENABLE (1u << 11)

#define CRYSTAL_CONTROL 0x40024000u
#define CRYSTAL_STATUS 0x40024004u
#define CRYSTAL_STARTUP 0x4002400Cu
#define CRYSTAL_RANGE_1_TO_15_MHZ 0xAA0u
#define CRYSTAL_ENABLE (0xFABu << 12)
#define CRYSTAL_STABLE (1u << 31)

#define PLL_USB_CONTROL 0x4002C000u
#define PLL_USB_POWER 0x4002C004u
#define PLL_USB_FEEDBACK 0x4002C008u
#define PLL_USB_POST 0x4002C00Cu
#define PLL_LOCKED (1u << 31)
#define PLL_MAIN_AND_VCO_OFF ((1u << 0) | (1u << 5))
#define PLL_POST_OFF (1u << 3)

#define PIN_CONTROL(pin) REGISTER(0x40014004u + 8u * (pin))
#define FUNCTION_SPI 1u
#define FUNCTION_UART 2u
#define FUNCTION_I2C 3u
#define FUNCTION_SIO 5u
#define FUNCTION_NONE 31u
/* four bits for each pin, eight pins for each register */
#define EDGES(pin) (0x400140F0u + 4u * ((pin) / 8u))
#define EDGES_ENABLED(pin) (0x40014100u + 4u * ((pin) / 8u))
#define EDGES_PENDING(pin) (0x40014120u + 4u * ((pin) / 8u))
#define EDGE_FALL(pin) (4u << 4u * ((pin) % 8u))
#define EDGE_BOTH(pin) (12u << 4u * ((pin) % 8u))
#define PAD(pin) REGISTER(0x4001C004u + 4u * (pin))
#define PAD_SCHMITT (1u << 1)
#define PAD_PULL_UP (1u << 3)
#define PAD_4_MA (1u << 4)
#define PAD_INPUT (1u << 6)
#define PAD_NO_OUTPUT (1u << 7)

#define PINS_IN REGISTER(0xD0000004u)
#define PINS_HIGH REGISTER(0xD0000014u)
#define PINS_LOW REGISTER(0xD0000018u)
#define PINS_OUTPUT REGISTER(0xD0000024u)
#define PIN(pin) (1u << (pin))

#define UART_DATA REGISTER(0x40034000u)
#define UART_FLAGS REGISTER(0x40034018u)
#define UART_DIVIDER REGISTER(0x40034024u)
#define UART_DIVIDER_64THS REGISTER(0x40034028u)
#define UART_LINE REGISTER(0x4003402Cu)
#define UART_CONTROL REGISTER(0x40034030u)
#define UART_INTERRUPTS 0x40034038u
#define UART_INTERRUPTS_CLEAR REGISTER(0x40034044u)
#define UART_IN_EMPTY (1u << 4)
#define UART_OUT_FULL (1u << 5)
#define UART_8_BITS_WITH_FIFO ((3u << 5) | (1u << 4))
#define UART_ON_BOTH_WAYS ((1u << 9) | (1u << 8) | 1u)
#define UART_IN (1u << 4)
#define UART_OUT (1u << 5)
#define UART_IN_PAUSE (1u << 6)

#define SPI_FORMAT REGISTER(0x4003C000u)
#define SPI_CONTROL REGISTER(0x4003C004u)
#define SPI_DATA REGISTER(0x4003C008u)
#define SPI_STATUS REGISTER(0x4003C00Cu)
#define SPI_DIVIDER REGISTER(0x4003C010u)
#define SPI_8_BITS_VALID_AS_CLOCK_FALLS (7u | 1u << 7)
#define SPI_ON (1u << 1)
#define SPI_CAME_IN (1u << 2)

#define I2C_CONTROL REGISTER(0x40044000u)
#define I2C_TARGET REGISTER(0x40044004u)
#define I2C_COMMAND REGISTER(0x40044010u)
#define I2C_HIGH_COUNT REGISTER(0x4004401Cu)
#define I2C_LOW_COUNT REGISTER(0x40044020u)
#define I2C_EVENTS REGISTER(0x40044034u)
#define I2C_CLEAR_ABORT REGISTER(0x40044054u)
#define I2C_CLEAR_STOP REGISTER(0x40044060u)
#define I2C_ENABLE REGISTER(0x4004406Cu)
#define I2C_CAME_IN REGISTER(0x40044078u)
#define I2C_SPIKES REGISTER(0x400440A0u)
#define I2C_HOST_400_KHZ (1u << 6 | 1u << 5 | 2u << 1 | 1u)
#define I2C_READ (1u << 8)
#define I2C_STOP (1u << 9)
#define I2C_RESTART (1u << 10)
#define I2C_ABORTED (1u << 6)
#define I2C_STOPPED (1u << 9)

#define ADC_CONTROL REGISTER(0x4004C000u)
#define ADC_RESULT REGISTER(0x4004C004u)
#define ADC_FIFO_CONTROL REGISTER(0x4004C008u)
#define ADC_FIFO REGISTER(0x4004C00Cu)
#define ADC_DIVIDER REGISTER(0x4004C010u)
#define ADC_INTERRUPTS REGISTER(0x4004C018u)
#define ADC_ON 1u
/* and its output, at the converter's input 4 */
#define ADC_THERMOMETER (1u << 1 | 4u << 12)
#define ADC_READY (1u << 8)
#define ADC_FREE_RUNNING (1u << 3)
#define ADC_FIFO_ON 1u
#define ADC_FIFO_EMPTY (1u << 8)
#define ADC_FIFO_THRESHOLD_4 (4u << 24)

/* a memory of 4 KiB that the USB part shares: the last setup packet, what endpoints are, what their buffers hold, buffers */
#define USB_MEMORY 0x50100000u
#define USB_ENDPOINT(number, out) REGISTER(USB_MEMORY + 8u * (number) + 4u * (out))
#define USB_BUFFER(number, out) REGISTER(USB_MEMORY + 0x80u + 8u * (number) + 4u * (out))
#define USB_ENDPOINT_ON (1u << 31 | 1u << 29)
#define USB_BULK (2u << 26)
#define USB_INTERRUPT (3u << 26)
#define USB_BUFFER_FULL (1u << 15)
#define USB_BUFFER_ODD (1u << 13)
#define USB_BUFFER_STALLS (1u << 11)
#define USB_BUFFER_GIVEN (1u << 10)
#define USB_BUFFER_BYTES 0x3FFu
#define USB_ADDRESS REGISTER(0x50110000u)
#define USB_MAIN REGISTER(0x50110040u)
#define USB_LINK REGISTER(0x5011004Cu)
#define USB_STATUS REGISTER(0x50110050u)
#define USB_BUFFERS_DONE REGISTER(0x50110058u)
#define USB_STALLS_ARMED REGISTER(0x50110068u)
#define USB_JOINS REGISTER(0x50110074u)
#define USB_POWER REGISTER(0x50110078u)
#define USB_INTERRUPTS REGISTER(0x50110090u)
#define USB_PENDING REGISTER(0x50110098u)
#define USB_ON 1u
#define USB_TELL_EACH_BUFFER_OF_0 (1u << 29)
#define USB_PULL_UP (1u << 16)
#define USB_STATUS_RESET (1u << 19)
#define USB_STATUS_SETUP (1u << 17)
#define USB_TO_PHY (1u << 3 | 1u << 0)
#define USB_POWER_IS_THERE (1u << 3 | 1u << 2)
#define USB_ON_SETUP (1u << 16)
#define USB_ON_RESET (1u << 12)
#define USB_ON_BUFFER (1u << 4)

#define TIMER_NOW REGISTER(0x40054028u)
#define TIMER_ALARM(number) REGISTER(0x40054010u + 4u * (number))
#define TIMER_ARMED REGISTER(0x40054020u)
#define TIMER_DUE REGISTER(0x40054034u)
#define TIMER_INTERRUPTS 0x40054038u

#define WATCHDOG_CONTROL 0x40058000u
#define WATCHDOG_LOAD REGISTER(0x40058004u)
#define WATCHDOG_REASON REGISTER(0x40058008u)
#define WATCHDOG_TICK REGISTER(0x4005802Cu)
#define WATCHDOG_ON (1u << 30)
#define WATCHDOG_TICK_ON (1u << 9)

#define RING_RANDOM_BIT REGISTER(0x4006001Cu)

#define CHIP_RESET REGISTER(0x40064008u)
#define HAD_POWER_ON (1u << 8)
#define HAD_RUN_PIN (1u << 16)
#define HAD_DEBUGGER (1u << 20)

#define INTERRUPTS_ON REGISTER(0xE000E100u)
#define INTERRUPTS_OFF REGISTER(0xE000E180u)
/* a byte for each interrupt, of which the highest two bits count */
#define INTERRUPT_PRIORITIES(number) REGISTER(0xE000E400u + 4u * (number))
#define VECTORS REGISTER(0xE000ED08u)

#define INTERRUPT_TIMER(alarm) (alarm)
#define INTERRUPT_USB 5u
#define INTERRUPT_PINS 13u
#define INTERRUPT_UART0 20u
#define INTERRUPT_ADC 22u

#endif
