/* Orders to the bench, line by line over a local socket, each answered by one line of JSON. */
#ifndef CONTROL_H
#define CONTROL_H

#include <stdbool.h>

#include "bench.h"

bool control_begin(const char *path);

/* Handles of what may become readable; how many were written. */
int control_handles(int *handles);
void control_serve(void);
void control_end(void);

/* Carries out what was ordered for a place or a force, once that has been passed. */
void control_watched(void);

#endif
