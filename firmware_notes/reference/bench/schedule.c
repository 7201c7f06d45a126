#include "schedule.h"

#include <stdlib.h>

#include "simulated_chip.h"

#define MOST 8u

static struct {
    happening what;
    void *param;
    uint64_t due;
} waiting[MOST];

static uint64_t next = UINT64_MAX;

static void find_next(void)
{
    next = UINT64_MAX;
    for (unsigned i = 0; i < MOST; i++)
        if (waiting[i].what && waiting[i].due < next)
            next = waiting[i].due;
}

static void schedule_at(uint64_t due, happening what, void *param)
{
    unsigned place = MOST;
    for (unsigned i = 0; i < MOST; i++)
        if (waiting[i].what == what || (!waiting[i].what && place == MOST))
            place = i;
    if (place == MOST)
        abort(); /* a happening was added to the bench, but no place for it */
    waiting[place].what = what;
    waiting[place].param = param;
    waiting[place].due = due;
    find_next();
}

void schedule(uint64_t in_cycles, happening what, void *param)
{
    schedule_at(chip_cycles() + in_cycles, what, param);
}

bool scheduled(happening what)
{
    for (unsigned i = 0; i < MOST; i++)
        if (waiting[i].what == what)
            return true;
    return false;
}

uint64_t schedule_next(void)
{
    return next;
}

void schedule_go(void)
{
    while (next <= chip_cycles()) {
        unsigned first = 0;
        while (!waiting[first].what || waiting[first].due != next)
            first++;
        happening what = waiting[first].what;
        void *param = waiting[first].param;
        uint64_t due = waiting[first].due;
        waiting[first].what = NULL;
        find_next();
        uint64_t again = what(param);
        if (again)
            schedule_at(due + again, what, param);
    }
}
