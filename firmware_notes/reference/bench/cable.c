#define _GNU_SOURCE
#include "cable.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#include "schedule.h"
#include "simulated_chip.h"

/* ten bits at 250 000 baud */
#define BYTE_CYCLES 640u
#define ROOM 65536u

static int master = -1, slave = -1;
static const char *linked;
static uint8_t to_host[ROOM], to_chip[ROOM];
static unsigned to_host_count, to_chip_count, to_chip_next;
static uint64_t lost, heard, sent, taken;
static bool console;

void cable_chip_said(uint8_t byte)
{
    if (console)
        putchar(byte);
    else if (to_host_count < ROOM)
        to_host[to_host_count++] = byte;
    else
        lost++;
}

static uint64_t next_byte(void *param)
{
    (void)param;
    if (to_chip_next >= to_chip_count)
        return 0;
    chip_hear(to_chip[to_chip_next++]);
    return BYTE_CYCLES;
}

void cable_console(void)
{
    console = true;
}

bool cable_begin(const char *link)
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
    return true;
}

static void fetch(void)
{
    if (to_chip_next < to_chip_count)
        return; /* the host waits until the line has taken it */
    to_chip_next = to_chip_count = 0;
    ssize_t count = read(master, to_chip, sizeof to_chip);
    if (count > 0) {
        to_chip_count = (unsigned)count;
        taken += (uint64_t)count;
        heard = chip_cycles();
    }
    if (to_chip_count && !scheduled(next_byte))
        schedule(BYTE_CYCLES, next_byte, NULL);
}

void cable_carry(void)
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
    fetch();
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
