#include "lines.h"

#include <avr_ioport.h>
#include <stdint.h>

static avr_t *chip;
static uint8_t driven[3], level[3]; /* ports B, C, D */

void lines_begin(avr_t *avr)
{
    chip = avr;
}

static void hold(char port)
{
    avr_ioport_external_t external = {
        .name = (unsigned long)port & 0x7Fu,
        .mask = driven[port - 'B'],
        .value = level[port - 'B'],
    };
    avr_ioctl(chip, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &external);
}

void lines_drive(char port, int pin, bool high)
{
    uint8_t bit = (uint8_t)(1u << pin);
    driven[port - 'B'] |= bit;
    level[port - 'B'] = (uint8_t)(high ? level[port - 'B'] | bit : level[port - 'B'] & ~bit);
    hold(port);
    avr_raise_irq(avr_io_getirq(chip, AVR_IOCTL_IOPORT_GETIRQ(port), pin), high);
}

void lines_again(void)
{
    for (char port = 'B'; port <= 'D'; port++) {
        for (int pin = 0; pin < 8; pin++) {
            if (!(driven[port - 'B'] >> pin & 1))
                continue;
            bool high = level[port - 'B'] >> pin & 1;
            avr_raise_irq(avr_io_getirq(chip, AVR_IOCTL_IOPORT_GETIRQ(port), pin), !high);
            lines_drive(port, pin, high);
        }
    }
}
