/* A serial port of the class CDC over a chip's own USB, which every system has a driver for: what is the same on each chip.
 *
 * A port's usb.c moves packets: it defines the functions of the first part and calls those of the second from its interrupt.
 * Endpoint 0 answers the host's questions, 1 carries bytes both ways, and 2 could tell of modem lines but never does.
 */
#ifndef USB_SERIAL_H
#define USB_SERIAL_H

#include <stdbool.h>
#include <stdint.h>

#define USB_PACKET 64u
#define USB_SETUP_BYTES 8u

/* ---- the chip: all but the last two are called with this interrupt held off, or from it */

/* Gives the host a packet; no other of that endpoint is under way. */
void usb_send(uint32_t endpoint, const uint8_t *bytes, uint32_t count);

/* Lets the host send a packet of so many bytes at most. */
void usb_take(uint32_t endpoint, uint32_t most);

/* Endpoint 0 refuses what was asked. */
void usb_refuse(void);

/* Twice for each address: as it is told, and when that has been answered from the old one. */
void usb_address(uint8_t address, bool answered);

/* Endpoints 1 and 2 are there, and begin with an even packet. */
void usb_configure(void);

/* The next packet of endpoint 1 is an even one. */
void usb_even(bool from_host);

/* Hold off the interrupt of this part only: copying a packet takes longer than steps should wait. */
void usb_hold_off(void);
void usb_let_in(void);

/* ---- from the interrupt */

void usb_serial_reset(void);
void usb_serial_asked(const uint8_t setup[USB_SETUP_BYTES]);
void usb_serial_sent(uint32_t endpoint);
void usb_serial_came(uint32_t endpoint, const uint8_t *bytes, uint32_t count);

#endif
