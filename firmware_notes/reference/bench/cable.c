#define _GNU_SOURCE
#include "cable.h"

#include <avr_uart.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

/* ten bits at 250 000 baud */
#define BYTE_CYCLES 640u
#define ROOM 65536u

static int master = -1, slave = -1;
static const char *linked;
static uint8_t to_host[ROOM], to_chip[ROOM];
static unsigned to_host_count, to_chip_count, to_chip_next;
static uint64_t lost, heard, sent, taken;
static bool carrying, console;

static void chip_said(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    if (console) {
        fputc((int)(value & 0xFFu), stdout);
    } else if (to_host_count < ROOM) {
        to_host[to_host_count++] = (uint8_t)value;
    } else {
        lost++;
    }
}

static avr_cycle_count_t next_byte(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)param;
    if (to_chip_next >= to_chip_count) {
        carrying = false;
        return 0;
    }
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), to_chip[to_chip_next++]);
    return when + BYTE_CYCLES;
}

static void connect_chip(avr_t *avr)
{
    uint32_t flags = 0; /* neither lines on the console nor sleeps of the simulator's own */
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), chip_said, NULL);
}

void cable_console(avr_t *avr)
{
    console = true;
    connect_chip(avr);
}

bool cable_begin(avr_t *avr, const char *link)
{
    struct termios raw;
    master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (master < 0 || grantpt(master) || unlockpt(master)) {
        perror("bench: no pseudo-terminal");
        return false;
    }
    const char *name = ptsname(master);
    /* held open, so that a host may come and go */
    slave = open(name, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (slave < 0 || tcgetattr(slave, &raw)) {
        perror("bench: pseudo-terminal");
        return false;
    }
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw);
    struct stat there;
    if (lstat(link, &there) == 0 && S_ISLNK(there.st_mode))
        unlink(link); /* left by a bench that was killed; anything else is somebody's */
    if (symlink(name, link)) {
        perror("bench: link");
        return false;
    }
    linked = link;
    connect_chip(avr);
    return true;
}

static void start_carrying(avr_t *avr)
{
    carrying = true;
    avr_cycle_timer_register(avr, BYTE_CYCLES, next_byte, NULL);
}

void cable_go_on(avr_t *avr)
{
    if (carrying)
        start_carrying(avr);
}

static void fetch(avr_t *avr)
{
    if (to_chip_next < to_chip_count)
        return; /* the host waits until the line has taken it */
    to_chip_next = to_chip_count = 0;
    ssize_t count = read(master, to_chip, sizeof to_chip);
    if (count > 0) {
        to_chip_count = (unsigned)count;
        taken += (uint64_t)count;
        heard = avr->cycle;
    }
    if (to_chip_count && !carrying)
        start_carrying(avr);
}

void cable_carry(avr_t *avr)
{
    if (master < 0)
        return;
    if (to_host_count) {
        ssize_t count = write(master, to_host, to_host_count);
        /* nobody reads: a real cable keeps nothing either */
        lost += to_host_count - (count > 0 ? (unsigned)count : 0u);
        sent += count > 0 ? (uint64_t)count : 0u;
        to_host_count = 0;
    }
    fetch(avr);
}

int cable_handle(void)
{
    return to_chip_next < to_chip_count ? -1 : master;
}

uint64_t cable_heard(void)
{
    return heard;
}

uint64_t cable_sent(void)
{
    return sent;
}

uint64_t cable_taken(void)
{
    return taken;
}

uint64_t cable_lost(void)
{
    return lost;
}

bool cable_waits(void)
{
    return to_chip_next < to_chip_count;
}

void cable_end(void)
{
    if (linked)
        unlink(linked);
}
