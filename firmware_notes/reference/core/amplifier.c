#include "amplifier.h"

#include "chip.h"
#include "converter.h"
#include "quadrature.h"
#include "settings.h"

static volatile bool ended;
static volatile uint32_t ended_us;
static volatile int32_t ended_position;
static struct conversion last;
static bool silent;

void amplifier_begin(uint32_t now_us)
{
    ended = false;
    last.ended_us = now_us;
    last.position = 0;
    last.force = last.before = 0;
    last.saturated = false;
    last.alike = 0;
    silent = false;
    converter_begin();
    chip_amplifier_watch();
}

void amplifier_ended(uint32_t time_us)
{
    if (ended)
        return;
    ended_us = time_us;
    ended_position = quadrature_counts_locked();
    ended = true;
}

bool amplifier_waits(uint32_t time_us)
{
    uint8_t before = chip_lock();
    bool waits = ended && (int32_t)(time_us - ended_us) >= 0;
    chip_unlock(before);
    return waits;
}

bool amplifier_poll(void)
{
    if (!ended)
        return false;
    int32_t force;
    bool sound = converter_read(&force);
    uint32_t at_us = ended_us;
    int32_t position = ended_position;
    ended = false;
    chip_amplifier_watch();
    if (!sound)
        return false;
    last.ended_us = at_us;
    last.position = position;
    if (force != last.force)
        last.alike = 1;
    else if (last.alike < FROZEN_CONVERSIONS)
        last.alike++;
    last.before = last.force;
    last.force = force;
    last.saturated = force >= CONVERTER_TOP || force <= CONVERTER_BOTTOM;
    silent = false;
    return true;
}

void amplifier_subtract(int32_t offset)
{
    last.position -= offset;
    if (ended)
        ended_position -= offset;
}

const struct conversion *amplifier_last(void)
{
    return &last;
}

bool amplifier_silent(uint32_t now_us)
{
    /* kept, or a converter that died an hour ago would seem alive again when the clock has wrapped */
    if (now_us - last.ended_us > AMPLIFIER_SILENT_US)
        silent = true;
    return silent;
}
