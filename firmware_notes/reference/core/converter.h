/* What the core asks of a kind of force converter. One file of ../converters is built in: `make CONVERTER=two_wire`.
 *
 * A converter tells that a conversion has ended, by a line or an interrupt, and the chip calls amplifier_ended(); the
 * loop then reads the value. Whatever its width, a value fills 24 bits with its sign, so that settings.h means the
 * same for each: what has fewer bits is given zeros below.
 */
#ifndef CONVERTER_H
#define CONVERTER_H

#include <stdbool.h>
#include <stdint.h>

/* Values at which a converter is at its end, and the force beyond it. */
#define CONVERTER_TOP 0x7FFFFFL
#define CONVERTER_BOTTOM (-0x800000L)

/* After a boot: what the converter must be told. */
void converter_begin(void);

/* Reads the conversion that has ended; false if what came cannot be a value. In the loop, with interrupts on; it must
 * return within 300 us whatever the wires do. */
bool converter_read(int32_t *force);

/* 24 bits with a sign, as a number. */
static inline int32_t converter_signed(uint32_t value)
{
    return value & 0x800000UL ? (int32_t)value - 0x1000000L : (int32_t)value;
}

#endif
