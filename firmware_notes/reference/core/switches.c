#include "switches.h"

#include "chip.h"
#include "settings.h"

static uint8_t steady;
static uint8_t seen;
static uint32_t since_us;

void switches_begin(uint32_t now_us)
{
    steady = seen = chip_switches();
    since_us = now_us;
}

void switches_poll(uint32_t now_us)
{
    uint8_t now = chip_switches();
    if (now != seen) {
        seen = now;
        since_us = now_us;
    } else if (now_us - since_us >= DEBOUNCE_US) {
        steady = now;
    }
}

uint8_t switches_all(void)
{
    return steady & SWITCHES_FITTED;
}

bool switches_open(uint8_t which)
{
    return (steady & which) != 0;
}
