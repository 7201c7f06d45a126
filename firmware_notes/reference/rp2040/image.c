/* Makes the image for the boot ROM: image PROGRAM.bin PROGRAM.uf2
 *
 * Writes the checksum of the first 252 bytes behind them, as the ROM wants it: 32 bits, polynomial 0x04C11DB7, begun
 * with all ones, highest bit first, nothing inverted at the end (RP2040 datasheet 2.8.1.3.1, recalled; its check value over
 * "123456789" is 0x0376E6E7, recalled from lists of such checksums). Then packs everything into blocks of 512 bytes with
 * 256 of the program each, which the chip's USB drive takes (the format's specification, recalled).
 */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FLASH 0x10000000u
#define MOST_BYTES 0x200000u
#define PART 256u
#define FAMILY_RP2040 0xE48BFF56u

static uint32_t checksum(const uint8_t *bytes, size_t count)
{
    uint32_t sum = 0xFFFFFFFFu;
    while (count--) {
        sum ^= (uint32_t)*bytes++ << 24;
        for (int bit = 0; bit < 8; bit++)
            sum = sum << 1 ^ (sum & 0x80000000u ? 0x04C11DB7u : 0u);
    }
    return sum;
}

static void put(uint8_t *at, uint32_t word)
{
    for (int i = 0; i < 4; i++)
        at[i] = (uint8_t)(word >> 8 * i);
}

static void write_block(FILE *file, const uint8_t *part, uint32_t number, uint32_t numbers)
{
    uint8_t block[512] = {0};
    const uint32_t head[] = {0x0A324655u, 0x9E5D5157u, 0x00002000u /* with a family */, FLASH + number * PART,
                             PART,        number,      numbers,                         FAMILY_RP2040};
    for (uint32_t i = 0; i < 8; i++)
        put(block + 4 * i, head[i]);
    memcpy(block + 32, part, PART);
    put(block + 508, 0x0AB16F30u);
    fwrite(block, sizeof block, 1, file);
}

static int failed(const char *path)
{
    perror(path);
    return 1;
}

int main(int argc, char **argv)
{
    if (checksum((const uint8_t *)"123456789", 9) != 0x0376E6E7u || argc != 3) {
        fprintf(stderr, "image PROGRAM.bin PROGRAM.uf2\n");
        return 2;
    }
    uint8_t *bytes = calloc(MOST_BYTES + PART, 1);
    FILE *file = fopen(argv[1], "rb");
    if (!bytes || !file)
        return failed(argv[1]);
    size_t count = fread(bytes, 1, MOST_BYTES, file);
    fclose(file);
    put(bytes + 252, checksum(bytes, 252));
    if (!(file = fopen(argv[2], "wb")))
        return failed(argv[2]);
    uint32_t numbers = (uint32_t)((count + PART - 1) / PART);
    for (uint32_t number = 0; number < numbers; number++)
        write_block(file, bytes + number * PART, number, numbers);
    int lost = ferror(file);
    free(bytes);
    return fclose(file) || lost ? failed(argv[2]) : 0;
}
