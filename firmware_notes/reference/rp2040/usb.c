/* The chip's own USB, for ../bare/usb_serial.c. The interrupt works on what the loop works on; the loop holds off this
 * interrupt only. */
#include "../bare/usb_serial.h"
#include "parts.h"
#include "registers.h"

/* offsets into the shared memory; endpoint 0 has the first */
#define BUFFER_0 0x100u
#define BUFFER_IN 0x180u
#define BUFFER_OUT 0x1C0u
#define BUFFER_NOTIFY 0x200u
#define BYTES(offset) ((volatile uint8_t *)(USB_MEMORY + (offset)))

#define IN 0u
#define OUT 1u
#define DONE(endpoint, out) (1u << (2u * (endpoint) + (out)))

static bool odd[2], odd_0;

/* The part may look at a buffer as soon as it is given, so it is given last, and some of its cycles later. */
static void give(uint32_t endpoint, uint32_t out, uint32_t what)
{
    USB_BUFFER(endpoint, out) = what;
    __asm__ volatile(".rept 12\n nop\n .endr");
    USB_BUFFER(endpoint, out) = what | USB_BUFFER_GIVEN;
}

void usb_send(uint32_t endpoint, const uint8_t *bytes, uint32_t count)
{
    volatile uint8_t *to = BYTES(endpoint == 0 ? BUFFER_0 : BUFFER_IN);
    bool *is_odd = endpoint == 0 ? &odd_0 : &odd[IN];
    for (uint32_t i = 0; i < count; i++)
        to[i] = bytes[i];
    give(endpoint, IN, count | USB_BUFFER_FULL | (*is_odd ? USB_BUFFER_ODD : 0u));
    *is_odd = !*is_odd;
}

void usb_take(uint32_t endpoint, uint32_t most)
{
    if (endpoint == 0) {
        give(0, OUT, most | USB_BUFFER_ODD);
        return;
    }
    give(1, OUT, most | (odd[OUT] ? USB_BUFFER_ODD : 0u));
    odd[OUT] = !odd[OUT];
}

void usb_refuse(void)
{
    USB_STALLS_ARMED = 3;
    USB_BUFFER(0, OUT) = USB_BUFFER_STALLS;
    USB_BUFFER(0, IN) = USB_BUFFER_STALLS;
}

void usb_address(uint8_t address, bool answered)
{
    if (answered)
        USB_ADDRESS = address;
}

void usb_configure(void)
{
    odd[IN] = odd[OUT] = false;
    USB_ENDPOINT(1, IN) = USB_ENDPOINT_ON | USB_BULK | BUFFER_IN;
    USB_ENDPOINT(1, OUT) = USB_ENDPOINT_ON | USB_BULK | BUFFER_OUT;
    USB_ENDPOINT(2, IN) = USB_ENDPOINT_ON | USB_INTERRUPT | BUFFER_NOTIFY;
}

void usb_even(bool from_host)
{
    odd[from_host ? OUT : IN] = false;
}

static void came(uint32_t endpoint, uint32_t from)
{
    uint8_t packet[USB_PACKET];
    uint32_t count = USB_BUFFER(endpoint, OUT) & USB_BUFFER_BYTES;
    for (uint32_t i = 0; i < count && i < sizeof packet; i++)
        packet[i] = BYTES(from)[i];
    usb_serial_came(endpoint, packet, count < sizeof packet ? count : sizeof packet);
    wake_loop();
}

static void setup_came(void)
{
    uint8_t setup[USB_SETUP_BYTES];
    for (uint32_t i = 0; i < sizeof setup; i++)
        setup[i] = BYTES(0)[i];
    odd_0 = true;
    usb_serial_asked(setup);
}

static void buffers_done(void)
{
    uint32_t done = USB_BUFFERS_DONE;
    USB_BUFFERS_DONE = done;
    if (done & DONE(0, IN))
        usb_serial_sent(0);
    if (done & DONE(0, OUT))
        came(0, BUFFER_0);
    if (done & DONE(1, OUT))
        came(1, BUFFER_OUT);
    if (done & DONE(1, IN))
        usb_serial_sent(1);
}

void usb_interrupt(void)
{
    uint32_t pending = USB_PENDING;
    if (pending & USB_ON_RESET) {
        USB_STATUS = USB_STATUS_RESET;
        USB_ADDRESS = 0;
        usb_serial_reset();
    }
    if (pending & USB_ON_SETUP) {
        USB_STATUS = USB_STATUS_SETUP;
        setup_came();
    }
    if (pending & USB_ON_BUFFER)
        buffers_done();
}

void usb_hold_off(void)
{
    INTERRUPTS_OFF = 1u << INTERRUPT_USB;
    __asm__ volatile("dsb\n isb" ::: "memory");
}

void usb_let_in(void)
{
    __asm__ volatile("" ::: "memory");
    INTERRUPTS_ON = 1u << INTERRUPT_USB;
}

void line_begin(void)
{
    REGISTER(CLOCK_USB_CONTROL) = CLOCK_USB_PLL_USB | CLOCK_ENABLE;
    let_out_of_reset(RESET_USB);
    for (uint32_t offset = 0; offset < 0x100u; offset += 4u)
        REGISTER(USB_MEMORY + offset) = 0;
    USB_JOINS = USB_TO_PHY;
    USB_POWER = USB_POWER_IS_THERE;
    USB_MAIN = USB_ON;
    USB_LINK = USB_TELL_EACH_BUFFER_OF_0;
    USB_INTERRUPTS = USB_ON_BUFFER | USB_ON_RESET | USB_ON_SETUP;
    INTERRUPTS_ON = 1u << INTERRUPT_USB;
    USB_LINK = USB_TELL_EACH_BUFFER_OF_0 | USB_PULL_UP;
}
