#include "quadrature.h"

#include "chip.h"

static volatile int32_t counts;
static volatile bool lost;
static uint8_t last;

void quadrature_begin(uint8_t lines)
{
    counts = 0;
    lost = false;
    last = lines;
}

void quadrature_edge(uint8_t lines)
{
    uint8_t changed = (uint8_t)((last ^ lines) & 3u);
    if (changed == 3u) {
        lost = true;
    } else if (changed) {
        /* A leads on the way up, so the new B is what A was; on the way down it is what A was not */
        if ((uint8_t)(last ^ (lines >> 1)) & 1u)
            counts--;
        else
            counts++;
    }
    last = lines;
}

int32_t quadrature_counts_locked(void)
{
    return counts;
}

int32_t quadrature_counts(void)
{
    uint8_t before = chip_lock();
    int32_t now = counts;
    chip_unlock(before);
    return now;
}

void quadrature_subtract(int32_t offset)
{
    uint8_t before = chip_lock();
    counts -= offset;
    chip_unlock(before);
}

bool quadrature_lost_edge(void)
{
    uint8_t before = chip_lock();
    bool was = lost;
    lost = false;
    chip_unlock(before);
    return was;
}
