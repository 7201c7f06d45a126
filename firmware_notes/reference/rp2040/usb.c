/* The way to the host by the chip's own USB, as a serial port of the class CDC, which every system has a driver for.
 *
 * Endpoint 0 answers the host's questions, 1 carries bytes both ways, and 2 could tell of modem lines but never does. Packets
 * have 63 bytes at most: a full one of 64 would make a host wait for the rest. A host that has not opened the port takes
 * nothing: until it raises DTR for the first time what is sent waits, the boot event first; later, what nobody took
 * is thrown away when the port is opened again.
 *
 * The interrupt works on what the loop works on; the loop holds off this interrupt only, since copying a packet takes
 * longer than steps should wait.
 * Sources: Universal Serial Bus specification 2.0, chapter 9; class definitions for communications devices 1.2 with the
 * subclass PSTN; both recalled.
 *
 * The vendor and product numbers are those that an open registry keeps for tests: a device that is handed on needs its own.
 */
#include "../core/chip.h"
#include "../core/settings.h"
#include "parts.h"
#include "pins.h"
#include "registers.h"

#define PACKET 64u
#define MOST_SENT 63u
/* offsets into the shared memory; endpoint 0 has the first */
#define BUFFER_0 0x100u
#define BUFFER_IN 0x180u
#define BUFFER_OUT 0x1C0u
#define BUFFER_NOTIFY 0x200u
#define BYTES(offset) ((volatile uint8_t *)(USB_MEMORY + (offset)))

#define IN 0u
#define OUT 1u
#define DONE(endpoint, out) (1u << (2u * (endpoint) + (out)))

#define GET_STATUS 0x0080u
#define GET_STATUS_OF_INTERFACE 0x0081u
#define GET_STATUS_OF_ENDPOINT 0x0082u
#define CLEAR_HALT 0x0102u
#define SET_ADDRESS 0x0500u
#define GET_DESCRIPTOR 0x0680u
#define GET_CONFIGURATION 0x0880u
#define SET_CONFIGURATION 0x0900u
#define SET_INTERFACE 0x0B01u
#define SET_LINE_CODING 0x2021u
#define GET_LINE_CODING 0x21A1u
#define SET_LINE_STATE 0x2221u
#define LINE_STATE_DTR 1u
#define LINE_CODING_BYTES 7u

#define DESCRIPTOR_DEVICE 1u
#define DESCRIPTOR_CONFIGURATION 2u
#define DESCRIPTOR_STRING 3u
#define STRING_PRODUCT 1u
#define STRING_SERIAL 2u

#define LOW(word) ((word) & 0xFFu), ((word) >> 8)

static const uint8_t device[] = {
    18, DESCRIPTOR_DEVICE, LOW(0x0200), 0x02, 0, 0, PACKET, LOW(0x1209), LOW(0x0001), FIRMWARE_MINOR, FIRMWARE_MAJOR,
    0, STRING_PRODUCT, STRING_SERIAL, 1,
};

static const uint8_t configuration[] = {
    9, DESCRIPTOR_CONFIGURATION, LOW(67), 2, 1, 0, 0x80, 50, /* 100 mA from the bus */
    9, 4, 0, 0, 1, 0x02, 0x02, 0x00, 0,  /* control: communications, abstract modem */
    5, 0x24, 0x00, LOW(0x0110),          /*   header */
    5, 0x24, 0x01, 0x00, 1,              /*   no calls */
    4, 0x24, 0x02, 0x02,                 /*   line coding and line state */
    5, 0x24, 0x06, 0, 1,                 /*   union of both interfaces */
    7, 5, 0x82, 3, LOW(8), 255,          /*   endpoint 2 in, by interrupt */
    9, 4, 1, 0, 2, 0x0A, 0x00, 0x00, 0,  /* data */
    7, 5, 0x81, 2, LOW(PACKET), 0,       /*   endpoint 1 in */
    7, 5, 0x01, 2, LOW(PACKET), 0,       /*   endpoint 1 out */
};

static volatile uint8_t sent[256], heard[256];
static volatile uint8_t sent_head, sent_tail, heard_head, heard_tail;

/* 9600 baud, 8 bits: kept for the host, which may ask, and otherwise without meaning */
static uint8_t line_coding[LINE_CODING_BYTES] = {0x80, 0x25, 0, 0, 0, 0, 8};
static uint8_t address, configured;
static bool address_waits, coding_waits, open, opened_before, sending, given_out;
static bool odd[2], odd_0;

static const uint8_t *answer;
static uint32_t answer_left;
static bool empty_ends;
static uint8_t text[2 + 2 * 32];

/* ---- buffers */

/* The part may look at a buffer as soon as it is given, so it is given last, and some of its cycles later. */
static void give(uint32_t endpoint, uint32_t out, uint32_t what)
{
    USB_BUFFER(endpoint, out) = what;
    __asm__ volatile(".rept 12\n nop\n .endr");
    USB_BUFFER(endpoint, out) = what | USB_BUFFER_GIVEN;
}

static void send_0(const uint8_t *bytes, uint32_t count)
{
    for (uint32_t i = 0; i < count; i++)
        BYTES(BUFFER_0)[i] = bytes[i];
    give(0, IN, count | USB_BUFFER_FULL | (odd_0 ? USB_BUFFER_ODD : 0u));
    odd_0 = !odd_0;
}

static void take_0(uint32_t most)
{
    give(0, OUT, most | USB_BUFFER_ODD);
}

static void take_packet(void)
{
    given_out = true;
    give(1, OUT, PACKET | (odd[OUT] ? USB_BUFFER_ODD : 0u));
    odd[OUT] = !odd[OUT];
}

static void send_packet(void)
{
    if (sending || !open || sent_head == sent_tail)
        return;
    uint32_t count = 0;
    while (count < MOST_SENT && sent_tail != sent_head)
        BYTES(BUFFER_IN)[count++] = sent[sent_tail++];
    sending = true;
    give(1, IN, count | USB_BUFFER_FULL | (odd[IN] ? USB_BUFFER_ODD : 0u));
    odd[IN] = !odd[IN];
}

/* ---- the host's questions */

static void send_part(void)
{
    uint32_t count = answer_left < PACKET ? answer_left : PACKET;
    send_0(answer, count);
    answer += count;
    answer_left -= count;
}

static void begin_answer(const uint8_t *bytes, uint32_t count, uint32_t wanted)
{
    answer = bytes;
    answer_left = count < wanted ? count : wanted;
    /* a host that asked for more knows by a short packet that there is none */
    empty_ends = count < wanted && count % PACKET == 0;
    send_part();
}

static void refuse(void)
{
    USB_STALLS_ARMED = 3;
    USB_BUFFER(0, OUT) = USB_BUFFER_STALLS;
    USB_BUFFER(0, IN) = USB_BUFFER_STALLS;
}

static void answer_string(uint32_t number, uint32_t wanted)
{
    static const uint8_t english[] = {4, DESCRIPTOR_STRING, LOW(0x0409)};
    if (number == 0) {
        begin_answer(english, sizeof english, wanted);
        return;
    }
    const char *words = number == STRING_PRODUCT ? DEVICE_NAME : UNIT_ID;
    uint8_t count = 2;
    for (; *words && count < sizeof text; words++) {
        text[count++] = (uint8_t)*words;
        text[count++] = 0;
    }
    text[0] = count;
    text[1] = DESCRIPTOR_STRING;
    begin_answer(text, count, wanted);
}

static void answer_descriptor(uint32_t which, uint32_t wanted)
{
    uint32_t number = which & 0xFFu;
    switch (which >> 8) {
    case DESCRIPTOR_DEVICE: begin_answer(device, sizeof device, wanted); break;
    case DESCRIPTOR_CONFIGURATION: begin_answer(configuration, sizeof configuration, wanted); break;
    case DESCRIPTOR_STRING:
        if (number <= STRING_SERIAL) {
            answer_string(number, wanted);
            break;
        }
        refuse();
        break;
    default: refuse();
    }
}

static void set_line(bool is_open)
{
    /* what was left for the one before is nobody's */
    if (is_open && !open && opened_before)
        sent_tail = sent_head;
    open = is_open;
    opened_before = opened_before || open;
    send_packet();
}

static void configure(uint8_t which)
{
    configured = which;
    odd[IN] = odd[OUT] = false;
    sending = false;
    set_line(false);
    USB_ENDPOINT(1, IN) = USB_ENDPOINT_ON | USB_BULK | BUFFER_IN;
    USB_ENDPOINT(1, OUT) = USB_ENDPOINT_ON | USB_BULK | BUFFER_OUT;
    USB_ENDPOINT(2, IN) = USB_ENDPOINT_ON | USB_INTERRUPT | BUFFER_NOTIFY;
    if (which)
        take_packet();
}

static void answer_setup(void)
{
    static const uint8_t nothing[2];
    uint32_t first = REGISTER(USB_MEMORY), second = REGISTER(USB_MEMORY + 4u);
    uint32_t value = first >> 16, wanted = second >> 16;
    odd_0 = true;
    switch (first & 0xFFFFu) {
    case GET_DESCRIPTOR: answer_descriptor(value, wanted); return;
    case GET_CONFIGURATION: begin_answer(&configured, 1, wanted); return;
    case GET_LINE_CODING: begin_answer(line_coding, LINE_CODING_BYTES, wanted); return;
    case GET_STATUS:
    case GET_STATUS_OF_INTERFACE:
    case GET_STATUS_OF_ENDPOINT: begin_answer(nothing, 2, wanted); return;
    case SET_LINE_CODING:
        coding_waits = true;
        take_0(LINE_CODING_BYTES);
        return;
    case SET_ADDRESS:
        /* it holds only after this has been answered from the old one */
        address = (uint8_t)(value & 0x7Fu);
        address_waits = true;
        break;
    case SET_CONFIGURATION: configure((uint8_t)value); break;
    case SET_LINE_STATE: set_line((value & LINE_STATE_DTR) != 0); break;
    case CLEAR_HALT:
        /* both sides begin with an even packet again; one that lies there already was given as the next */
        odd[(second & 0x80u) ? IN : OUT] = false;
        break;
    case SET_INTERFACE: break;
    default: refuse(); return;
    }
    send_0(nothing, 0);
}

static void end_of_0_in(void)
{
    if (address_waits) {
        address_waits = false;
        USB_ADDRESS = address;
    } else if (answer && (answer_left || empty_ends)) {
        empty_ends = empty_ends && answer_left;
        send_part();
    } else if (answer) {
        answer = 0;
        take_0(0); /* the host's thanks */
    }
}

static void end_of_0_out(void)
{
    if (!coding_waits)
        return;
    coding_waits = false;
    for (uint32_t i = 0; i < LINE_CODING_BYTES; i++)
        line_coding[i] = BYTES(BUFFER_0)[i];
    send_0(line_coding, 0);
}

/* ---- bytes */

static bool room_for_a_packet(void)
{
    return (uint8_t)(heard_tail - heard_head - 1u) >= PACKET;
}

static void packet_came(void)
{
    uint32_t count = USB_BUFFER(1, OUT) & USB_BUFFER_BYTES;
    for (uint32_t i = 0; i < count; i++)
        heard[heard_head++] = BYTES(BUFFER_OUT)[i];
    given_out = false;
    /* a host that sends faster than it is listened to has to wait */
    if (room_for_a_packet())
        take_packet();
    wake_loop();
}

static void buffers_done(void)
{
    uint32_t done = USB_BUFFERS_DONE;
    USB_BUFFERS_DONE = done;
    if (done & DONE(0, IN))
        end_of_0_in();
    if (done & DONE(0, OUT))
        end_of_0_out();
    if (done & DONE(1, OUT))
        packet_came();
    if (done & DONE(1, IN)) {
        sending = false;
        send_packet();
    }
}

void usb_interrupt(void)
{
    uint32_t pending = USB_PENDING;
    if (pending & USB_ON_RESET) {
        USB_STATUS = USB_STATUS_RESET;
        USB_ADDRESS = 0;
        address_waits = coding_waits = false;
        configured = 0;
        set_line(false);
    }
    if (pending & USB_ON_SETUP) {
        USB_STATUS = USB_STATUS_SETUP;
        answer = 0;
        answer_left = 0;
        answer_setup();
    }
    if (pending & USB_ON_BUFFER)
        buffers_done();
}

static void hold_off(void)
{
    INTERRUPTS_OFF = 1u << INTERRUPT_USB;
    __asm__ volatile("dsb\n isb" ::: "memory");
}

static void let_in(void)
{
    __asm__ volatile("" ::: "memory");
    INTERRUPTS_ON = 1u << INTERRUPT_USB;
}

uint8_t chip_send_room(void)
{
    return (uint8_t)(sent_tail - sent_head - 1);
}

void chip_send(const uint8_t *bytes, uint8_t count)
{
    hold_off();
    while (count--)
        sent[sent_head++] = *bytes++;
    send_packet();
    let_in();
}

int16_t chip_receive(void)
{
    if (heard_tail == heard_head)
        return -1;
    hold_off();
    int16_t byte = heard[heard_tail++];
    if (configured && !given_out && room_for_a_packet())
        take_packet();
    let_in();
    return byte;
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
