/* Random lines through the log reader's inner loop, each in a buffer of its own size, so that a sanitizer sees any byte
 * that is read or written beyond it. Prints how many texts, and how many plain lines they held. */
#include <stdio.h>
#include <stdlib.h>

#include "logtext.h"

static uint32_t state = 1;

static uint32_t draw(uint32_t below) /* Marsaglia's xorshift32 */
{
    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state % below;
}

int main(int count, char **words)
{
    static const char bytes[] = "0123456789.,;-+ \t\n\n\0e", delimiters[] = {',', ';', ' ', '\t', 0};
    const uint32_t texts = count > 1 ? (uint32_t)atoi(words[1]) : 1000;
    uint32_t rows = 0;
    for (uint32_t text = 0; text < texts; text++) {
        const size_t size = 1 + draw(60);
        uint8_t *given = malloc(size);
        size_t lines = 0;
        for (size_t i = 0; i < size; i++) {
            given[i] = i + 1 < size ? (uint8_t)bytes[draw(sizeof bytes - 1)] : '\n';
            lines += given[i] == '\n';
        }
        double *stamps = malloc(lines * sizeof *stamps), *values = malloc(lines * sizeof *values);
        const tapsig_line_format format = {(uint8_t)delimiters[draw(5)], draw(2) ? '.' : ',', (uint8_t)draw(2),
                                           (int32_t)(1 + draw(4)),       (int32_t)draw(3) - 1, (int32_t)draw(3)};
        const size_t start = draw((uint32_t)size);
        const tapsig_parsed parsed = tapsig_parse_lines(given, start, size, &format, stamps, values);
        if (parsed.position < start || parsed.position > size || parsed.rows > lines) {
            printf("text %u: position %zu of %zu, %zu rows of %zu lines\n", (unsigned)text, parsed.position, size,
                   parsed.rows, lines);
            return 1;
        }
        rows += (uint32_t)parsed.rows;
        free(given);
        free(stamps);
        free(values);
    }
    printf("%u texts %u rows\n", (unsigned)texts, (unsigned)rows);
    return 0;
}
