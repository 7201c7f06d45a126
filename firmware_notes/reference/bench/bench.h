/* The bench as a whole: chip, press, cable. */
#ifndef BENCH_H
#define BENCH_H

#include <stdbool.h>

#include "press_model.h"

struct bench {
    struct press_model model;
    double pace; /* seconds of the chip for each second on the wall; 0 for as fast as it goes */
    double patience_s; /* how long the chip's time waits for a host that has fallen silent */
    bool quit;
};

extern struct bench bench;

/* The program: its options are in bench.c. */
int bench_main(int argc, char **argv);

/* Lets so much of the chip's time pass at once, and carries what is sent meanwhile. */
void bench_run(double seconds);

#endif
