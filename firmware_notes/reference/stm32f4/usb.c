/* The chip's own USB, for ../bare/usb_serial.c: full speed, as a device, without sensing the bus's voltage.
 *
 * What the host sends lies in one queue for all endpoints, each packet behind a word that says whose it is; what goes to
 * the host has a queue for each. A packet is handed on when its end is reported, so that the next may be let in.
 */
#include "../bare/usb_serial.h"
#include "parts.h"
#include "pins.h"
#include "registers.h"

#define ENDPOINTS 3u

/* The 320 words of the part's memory: what came in, then the queues out of endpoints 0 to 2. */
#define WORDS_IN 128u
static const uint16_t words_out[ENDPOINTS] = {32, 64, 16};

/* a session without a host that resets the part after so long never was one */
#define RESET_LOOPS 100000u

static uint8_t setup[USB_SETUP_BYTES], packet[2][USB_PACKET];
static uint32_t packet_bytes[2];

/* ---- queues: words, lowest byte first */

static void read_queue(uint8_t *to, uint32_t count, uint32_t room)
{
    uint32_t word = 0;
    for (uint32_t i = 0; i < count; i++) {
        if (i % 4u == 0)
            word = OTG_FIFO(0);
        if (i < room)
            to[i] = (uint8_t)(word >> 8u * (i % 4u));
    }
}

static void write_queue(uint32_t endpoint, const uint8_t *bytes, uint32_t count)
{
    for (uint32_t i = 0; i < count; i += 4u) {
        uint32_t word = 0;
        for (uint32_t j = 0; j < 4u && i + j < count; j++)
            word |= (uint32_t)bytes[i + j] << 8u * j;
        OTG_FIFO(endpoint) = word;
    }
}

static void flush_queues(void)
{
    OTG_GRSTCTL = OTG_GRSTCTL_TXFFLSH | OTG_GRSTCTL_TXFNUM_ALL;
    for (uint32_t i = 0; i < RESET_LOOPS && (OTG_GRSTCTL & OTG_GRSTCTL_TXFFLSH); i++)
        ;
    OTG_GRSTCTL = OTG_GRSTCTL_RXFFLSH;
    for (uint32_t i = 0; i < RESET_LOOPS && (OTG_GRSTCTL & OTG_GRSTCTL_RXFFLSH); i++)
        ;
}

/* ---- for usb_serial.c */

void usb_send(uint32_t endpoint, const uint8_t *bytes, uint32_t count)
{
    OTG_DIEPTSIZ(endpoint) = OTG_EPTSIZ_PKTCNT_1 | count;
    OTG_DIEPCTL(endpoint) |= OTG_EPCTL_EPENA | OTG_EPCTL_CNAK;
    write_queue(endpoint, bytes, count);
}

void usb_take(uint32_t endpoint, uint32_t most)
{
    OTG_DOEPTSIZ(endpoint) = OTG_EPTSIZ_PKTCNT_1 | most | (endpoint == 0 ? OTG_DOEPTSIZ0_STUPCNT_3 : 0u);
    OTG_DOEPCTL(endpoint) |= OTG_EPCTL_EPENA | OTG_EPCTL_CNAK;
}

/* The next question ends it. */
void usb_refuse(void)
{
    OTG_DIEPCTL(0) |= OTG_EPCTL_STALL;
    OTG_DOEPCTL(0) |= OTG_EPCTL_STALL;
}

/* This part answers from the old address by itself. */
void usb_address(uint8_t address, bool answered)
{
    if (!answered)
        OTG_DCFG = (OTG_DCFG & ~OTG_DCFG_DAD) | (uint32_t)address << 4;
}

void usb_configure(void)
{
    OTG_DIEPCTL(1) = OTG_EPCTL_USBAEP | OTG_EPCTL_BULK | OTG_EPCTL_TXFNUM(1) | OTG_EPCTL_SD0PID | OTG_EPCTL_SNAK | USB_PACKET;
    OTG_DOEPCTL(1) = OTG_EPCTL_USBAEP | OTG_EPCTL_BULK | OTG_EPCTL_SD0PID | OTG_EPCTL_SNAK | USB_PACKET;
    OTG_DIEPCTL(2) = OTG_EPCTL_USBAEP | OTG_EPCTL_INTERRUPT | OTG_EPCTL_TXFNUM(2) | OTG_EPCTL_SD0PID | OTG_EPCTL_SNAK | 8u;
    OTG_DAINTMSK = OTG_DAINT_IN(0) | OTG_DAINT_OUT(0) | OTG_DAINT_IN(1) | OTG_DAINT_OUT(1);
}

void usb_even(bool from_host)
{
    if (from_host)
        OTG_DOEPCTL(1) |= OTG_EPCTL_SD0PID;
    else
        OTG_DIEPCTL(1) |= OTG_EPCTL_SD0PID;
}

void usb_hold_off(void)
{
    NVIC_ICER(INTERRUPT_OTG_FS) = NVIC_BIT(INTERRUPT_OTG_FS);
    __asm__ volatile("dsb\n isb" ::: "memory");
}

void usb_let_in(void)
{
    __asm__ volatile("" ::: "memory");
    NVIC_ISER(INTERRUPT_OTG_FS) = NVIC_BIT(INTERRUPT_OTG_FS);
}

/* ---- interrupt */

static void bus_reset(void)
{
    for (uint32_t i = 0; i < 2u; i++)
        OTG_DOEPCTL(i) |= OTG_EPCTL_SNAK;
    flush_queues();
    OTG_DCFG &= ~OTG_DCFG_DAD;
    OTG_DAINTMSK = OTG_DAINT_IN(0) | OTG_DAINT_OUT(0);
    OTG_DIEPMSK = OTG_EPINT_XFRC;
    OTG_DOEPMSK = OTG_EPINT_XFRC | OTG_DOEPINT_STUP;
    /* questions are let in without being asked for */
    OTG_DOEPTSIZ(0) = OTG_DOEPTSIZ0_STUPCNT_3;
    usb_serial_reset();
}

static void queue_has_something(void)
{
    uint32_t word = OTG_GRXSTSP, count = OTG_GRXSTSP_BCNT(word), endpoint = OTG_GRXSTSP_EPNUM(word) & 1u;
    switch (OTG_GRXSTSP_PKTSTS(word)) {
    case OTG_PKTSTS_SETUP_DATA: read_queue(setup, count, sizeof setup); break;
    case OTG_PKTSTS_OUT_DATA:
        packet_bytes[endpoint] = count < USB_PACKET ? count : USB_PACKET;
        read_queue(packet[endpoint], count, USB_PACKET);
        break;
    default: break; /* ends, which come as interrupts of their endpoints too */
    }
}

static void endpoint_out(uint32_t endpoint)
{
    uint32_t what = OTG_DOEPINT(endpoint);
    OTG_DOEPINT(endpoint) = what;
    if (what & OTG_EPINT_XFRC) {
        uint32_t count = packet_bytes[endpoint];
        packet_bytes[endpoint] = 0;
        usb_serial_came(endpoint, packet[endpoint], count);
        wake_loop();
    }
    if (endpoint == 0 && (what & OTG_DOEPINT_STUP)) {
        OTG_DOEPTSIZ(0) = OTG_DOEPTSIZ0_STUPCNT_3;
        usb_serial_asked(setup);
    }
}

static void endpoint_in(uint32_t endpoint)
{
    uint32_t what = OTG_DIEPINT(endpoint);
    OTG_DIEPINT(endpoint) = what;
    if (what & OTG_EPINT_XFRC)
        usb_serial_sent(endpoint);
}

void usb_interrupt(void)
{
    uint32_t pending = OTG_GINTSTS & OTG_GINTMSK;
    if (pending & OTG_USBRST) {
        OTG_GINTSTS = OTG_USBRST;
        bus_reset();
    }
    if (pending & OTG_ENUMDNE) {
        OTG_GINTSTS = OTG_ENUMDNE;
        OTG_DIEPCTL(0) &= ~3u; /* packets of 64 bytes */
    }
    if (pending & OTG_RXFLVL)
        queue_has_something();
    uint32_t endpoints = OTG_DAINT & OTG_DAINTMSK;
    for (uint32_t endpoint = 0; endpoint < 2u; endpoint++) {
        if ((pending & OTG_IEPINT) && (endpoints & OTG_DAINT_IN(endpoint)))
            endpoint_in(endpoint);
        if ((pending & OTG_OEPINT) && (endpoints & OTG_DAINT_OUT(endpoint)))
            endpoint_out(endpoint);
    }
}

/* ---- start */

static void begin_queues(void)
{
    uint32_t from = WORDS_IN;
    OTG_GRXFSIZ = WORDS_IN;
    for (uint32_t i = 0; i < ENDPOINTS; i++) {
        uint32_t where = (uint32_t)words_out[i] << 16 | from;
        if (i == 0)
            OTG_DIEPTXF0 = where;
        else
            OTG_DIEPTXF(i) = where;
        from += words_out[i];
    }
    flush_queues();
}

static void wait_us(uint32_t us)
{
    for (uint32_t began_us = TIME_US_NOW; TIME_US_NOW - began_us < us;)
        ;
}

void line_begin(void)
{
    RCC_AHB2ENR |= RCC_AHB2ENR_OTGFS;
    OTG_GUSBCFG |= OTG_GUSBCFG_PHYSEL;
    for (uint32_t i = 0; i < RESET_LOOPS && !(OTG_GRSTCTL & OTG_GRSTCTL_AHBIDL); i++)
        ;
    OTG_GRSTCTL |= OTG_GRSTCTL_CSRST;
    for (uint32_t i = 0; i < RESET_LOOPS && (OTG_GRSTCTL & OTG_GRSTCTL_CSRST); i++)
        ;
    OTG_GCCFG = OTG_GCCFG_PWRDWN | OTG_GCCFG_NOVBUSSENS;
    OTG_GUSBCFG = OTG_GUSBCFG_FDMOD | OTG_GUSBCFG_PHYSEL | OTG_GUSBCFG_TRDT_6;
    wait_us(25000); /* until it is a device for certain */
    OTG_PCGCCTL = 0;
    OTG_DCFG = OTG_DCFG_DSPD_FULL;
    OTG_DCTL |= OTG_DCTL_SDIS;
    wait_us(3000); /* what was there before is gone, as the host sees it */
    begin_queues();
    OTG_GINTSTS = 0xFFFFFFFFu;
    OTG_GINTMSK = OTG_RXFLVL | OTG_USBRST | OTG_ENUMDNE | OTG_IEPINT | OTG_OEPINT;
    pin_alternate(GPIOA, USB_MINUS_PIN, ALTERNATE_OTG_FS, GPIO_PULL_NONE);
    pin_alternate(GPIOA, USB_PLUS_PIN, ALTERNATE_OTG_FS, GPIO_PULL_NONE);
    let_interrupt(INTERRUPT_OTG_FS, 3);
    OTG_GAHBCFG = OTG_GAHBCFG_GINTMSK;
    OTG_DCTL &= ~OTG_DCTL_SDIS;
}
