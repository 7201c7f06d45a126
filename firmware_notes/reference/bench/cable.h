/* The serial cable: the chip's serial line on one side, a pseudo-terminal on the other, at 250 000 baud. */
#ifndef CABLE_H
#define CABLE_H

#include <stdbool.h>
#include <stdint.h>

/* Makes the pseudo-terminal and a link to it; false with a message if it cannot. */
bool cable_begin(const char *link);

/* Bytes go to standard output instead. */
void cable_console(void);

/* The chip has sent a byte. */
void cable_chip_said(uint8_t byte);

/* Carries what waits on either side. */
void cable_carry(void);
int cable_handle(void);

/* When something last came from the host, in cycles; 0 until then. */
uint64_t cable_heard(void);

/* Bytes that were handed to the host, and bytes that were fetched from it. */
uint64_t cable_sent(void);
uint64_t cable_taken(void);

/* Bytes for the host that nobody fetched. */
uint64_t cable_lost(void);

/* Bytes from the host that have not reached the chip yet. */
bool cable_waits(void);
void cable_end(void);

#endif
