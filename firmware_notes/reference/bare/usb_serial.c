/* Packets have 63 bytes at most: a full one of 64 would make a host wait for the rest. A host that has not opened the port
 * takes nothing: until it raises DTR for the first time what is sent waits, the boot event first; later, what nobody took
 * is thrown away when the port is opened again.
 *
 * Sources: Universal Serial Bus specification 2.0, chapter 9; class definitions for communications devices 1.2 with the
 * subclass PSTN; both recalled.
 *
 * The vendor and product numbers are those that an open registry keeps for tests: a device that is handed on needs its own.
 */
#include "usb_serial.h"

#include "../core/chip.h"
#include "../core/settings.h"

#define MOST_SENT 63u

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
#define TO_HOST 0x80u

#define DESCRIPTOR_DEVICE 1u
#define DESCRIPTOR_CONFIGURATION 2u
#define DESCRIPTOR_STRING 3u
#define STRING_PRODUCT 1u
#define STRING_SERIAL 2u

#define LOW(word) ((word) & 0xFFu), ((word) >> 8)

static const uint8_t device[] = {
    18, DESCRIPTOR_DEVICE, LOW(0x0200), 0x02, 0, 0, USB_PACKET, LOW(0x1209), LOW(0x0001), FIRMWARE_MINOR, FIRMWARE_MAJOR,
    0, STRING_PRODUCT, STRING_SERIAL, 1,
};

static const uint8_t configuration[] = {
    9, DESCRIPTOR_CONFIGURATION, LOW(67), 2, 1, 0, 0x80, 50, /* 100 mA from the bus */
    9, 4, 0, 0, 1, 0x02, 0x02, 0x00, 0,   /* control: communications, abstract modem */
    5, 0x24, 0x00, LOW(0x0110),           /*   header */
    5, 0x24, 0x01, 0x00, 1,               /*   no calls */
    4, 0x24, 0x02, 0x02,                  /*   line coding and line state */
    5, 0x24, 0x06, 0, 1,                  /*   union of both interfaces */
    7, 5, 0x82, 3, LOW(8), 255,           /*   endpoint 2 in, by interrupt */
    9, 4, 1, 0, 2, 0x0A, 0x00, 0x00, 0,   /* data */
    7, 5, 0x81, 2, LOW(USB_PACKET), 0,    /*   endpoint 1 in */
    7, 5, 0x01, 2, LOW(USB_PACKET), 0,    /*   endpoint 1 out */
};

static volatile uint8_t sent[256], heard[256];
static volatile uint8_t sent_head, sent_tail, heard_head, heard_tail;

/* 9600 baud, 8 bits: kept for the host, which may ask, and otherwise without meaning */
static uint8_t line_coding[LINE_CODING_BYTES] = {0x80, 0x25, 0, 0, 0, 0, 8};
static uint8_t address, configured;
static bool address_waits, coding_waits, open, opened_before, sending, given_out;

static const uint8_t *answer;
static uint32_t answer_left;
static bool empty_ends;
static uint8_t text[2 + 2 * 32];

static void take_packet(void)
{
    given_out = true;
    usb_take(1, USB_PACKET);
}

static void send_packet(void)
{
    uint8_t packet[MOST_SENT];
    uint32_t count = 0;
    if (sending || !open || sent_head == sent_tail)
        return;
    while (count < MOST_SENT && sent_tail != sent_head)
        packet[count++] = sent[sent_tail++];
    sending = true;
    usb_send(1, packet, count);
}

/* ---- the host's questions */

static void send_part(void)
{
    uint32_t count = answer_left < USB_PACKET ? answer_left : USB_PACKET;
    const uint8_t *part = answer;
    answer += count;
    answer_left -= count;
    usb_send(0, part, count);
}

static void begin_answer(const uint8_t *bytes, uint32_t count, uint32_t wanted)
{
    answer = bytes;
    answer_left = count < wanted ? count : wanted;
    /* a host that asked for more knows by a short packet that there is none */
    empty_ends = count < wanted && count % USB_PACKET == 0;
    send_part();
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
        usb_refuse();
        break;
    default: usb_refuse();
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
    sending = false;
    set_line(false);
    usb_configure();
    if (which)
        take_packet();
}

void usb_serial_asked(const uint8_t setup[USB_SETUP_BYTES])
{
    static const uint8_t nothing[2];
    uint32_t value = (uint32_t)setup[3] << 8 | setup[2], wanted = (uint32_t)setup[7] << 8 | setup[6];
    answer = 0;
    answer_left = 0;
    switch ((uint32_t)setup[1] << 8 | setup[0]) {
    case GET_DESCRIPTOR: answer_descriptor(value, wanted); return;
    case GET_CONFIGURATION: begin_answer(&configured, 1, wanted); return;
    case GET_LINE_CODING: begin_answer(line_coding, LINE_CODING_BYTES, wanted); return;
    case GET_STATUS:
    case GET_STATUS_OF_INTERFACE:
    case GET_STATUS_OF_ENDPOINT: begin_answer(nothing, 2, wanted); return;
    case SET_LINE_CODING:
        coding_waits = true;
        usb_take(0, LINE_CODING_BYTES);
        return;
    case SET_ADDRESS:
        address = (uint8_t)(value & 0x7Fu);
        address_waits = true;
        usb_address(address, false);
        break;
    case SET_CONFIGURATION: configure((uint8_t)value); break;
    case SET_LINE_STATE: set_line((value & LINE_STATE_DTR) != 0); break;
    /* one that lies there already was given as the next */
    case CLEAR_HALT: usb_even(!(setup[4] & TO_HOST)); break;
    case SET_INTERFACE: break;
    default: usb_refuse(); return;
    }
    usb_send(0, nothing, 0);
}

static void question_answered(void)
{
    if (address_waits) {
        address_waits = false;
        usb_address(address, true);
    } else if (answer && (answer_left || empty_ends)) {
        empty_ends = empty_ends && answer_left;
        send_part();
    } else if (answer) {
        answer = 0;
        usb_take(0, 0); /* the host's thanks */
    }
}

static void coding_came(const uint8_t *bytes, uint32_t count)
{
    if (!coding_waits || count != LINE_CODING_BYTES)
        return;
    coding_waits = false;
    for (uint32_t i = 0; i < LINE_CODING_BYTES; i++)
        line_coding[i] = bytes[i];
    usb_send(0, line_coding, 0);
}

/* ---- bytes */

static bool room_for_a_packet(void)
{
    return (uint8_t)(heard_tail - heard_head - 1u) >= USB_PACKET;
}

void usb_serial_sent(uint32_t endpoint)
{
    if (endpoint == 0) {
        question_answered();
    } else if (endpoint == 1) {
        sending = false;
        send_packet();
    }
}

void usb_serial_came(uint32_t endpoint, const uint8_t *bytes, uint32_t count)
{
    if (endpoint == 0) {
        coding_came(bytes, count);
        return;
    }
    for (uint32_t i = 0; i < count; i++)
        heard[heard_head++] = bytes[i];
    given_out = false;
    /* a host that sends faster than it is listened to has to wait */
    if (room_for_a_packet())
        take_packet();
}

void usb_serial_reset(void)
{
    address_waits = coding_waits = false;
    configured = 0;
    set_line(false);
}

uint8_t chip_send_room(void)
{
    return (uint8_t)(sent_tail - sent_head - 1);
}

void chip_send(const uint8_t *bytes, uint8_t count)
{
    usb_hold_off();
    while (count--)
        sent[sent_head++] = *bytes++;
    send_packet();
    usb_let_in();
}

int16_t chip_receive(void)
{
    if (heard_tail == heard_head)
        return -1;
    usb_hold_off();
    int16_t byte = heard[heard_tail++];
    if (configured && !given_out && room_for_a_packet())
        take_packet();
    usb_let_in();
    return byte;
}
