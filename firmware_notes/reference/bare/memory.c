/* What the compiler calls by itself, and the core; no C library is needed. */
#include <stdint.h>
#include <string.h>

void *memcpy(void *to, const void *from, size_t count)
{
    uint8_t *t = to;
    for (const uint8_t *f = from; count; count--)
        *t++ = *f++;
    return to;
}

void *memset(void *to, int value, size_t count)
{
    for (uint8_t *t = to; count; count--)
        *t++ = (uint8_t)value;
    return to;
}

int memcmp(const void *one, const void *other, size_t count)
{
    const uint8_t *a = one, *b = other;
    for (; count && *a == *b; count--) {
        a++;
        b++;
    }
    return count ? *a - *b : 0;
}
