/* The functions of <string.h> that core and tests use, for chips that are built without a C library. */
#ifndef STRING_H
#define STRING_H

#include <stddef.h>

void *memcpy(void *to, const void *from, size_t count);
void *memset(void *to, int value, size_t count);
int memcmp(const void *one, const void *other, size_t count);

#endif
