/* Orders to the bench, line by line over a local socket, each answered by one line of JSON. */
#ifndef CONTROL_H
#define CONTROL_H

#include <stdbool.h>

#include "press_model.h"

struct bench {
    avr_t *avr;
    struct press_model model;
    double pace; /* seconds of the chip for each second on the wall; 0 for as fast as it goes */
    bool quit;
    bool crashed;
    unsigned stack_bytes; /* the deepest that the chip's stack has been */
};

/* Lets so much of the chip's time pass at once, and carries what is sent meanwhile. (main.c) */
void bench_run(double seconds);

bool control_begin(const char *path);

/* Handles of what may become readable; how many were written. */
int control_handles(int *handles);
void control_serve(struct bench *bench);
void control_end(void);

/* As the lines of a control socket; writes the answer into `answer`. */
void control_obey(struct bench *bench, char *line, char *answer, int room);

#endif
