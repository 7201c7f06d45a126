/* The two functions of <string.h> that the core uses, for chips that are built without a C library. */
#ifndef STRING_H
#define STRING_H

#include <stddef.h>

void *memcpy(void *to, const void *from, size_t count);
void *memset(void *to, int value, size_t count);

#endif
