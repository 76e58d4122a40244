/* Replays a recording through the detector on a host computer and prints one line an event.
 *
 *     replay counts.csv          the last number of each line is the converter's count
 *     replay --raw counts.bin    unsigned 16-bit counts, low byte first
 *     replay --probe counts.bin  the same, and the intermediate value after each count
 */

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tapsig_detector.h"

static const char *const verdict_names[] = {"", "accepted", "wrong", "void"};

/* the last number on a line; -1 when there is none or it is out of range */
static long last_number(const char *line)
{
    const char *start = strpbrk(line, "0123456789");
    const char *field = strrchr(line, ',');
    if (field != NULL) {
        start = field + 1;
    }
    if (start == NULL) {
        return -1;
    }
    char *end = NULL;
    const long value = strtol(start, &end, 10);
    return end == start || value < 0 || value > TAPSIG_COUNT_MAX ? -1 : value;
}

static long next_count(FILE *file, bool raw)
{
    char line[256];
    if (raw) {
        const int low = fgetc(file);
        const int high = fgetc(file);
        return high == EOF ? EOF : (low | (high << 8));
    }
    while (fgets(line, sizeof line, file) != NULL) {
        const long value = last_number(line);
        if (value >= 0) {
            return value;
        }
        if (line[0] >= '0' && line[0] <= '9') {
            fprintf(stderr, "replay: cannot read the line %s", line);
            exit(1);
        }
    }
    return EOF;
}

int main(int argc, char **argv)
{
    const bool probe = argc == 3 && strcmp(argv[1], "--probe") == 0;
    const bool raw = probe || (argc == 3 && strcmp(argv[1], "--raw") == 0);
    if (argc != 2 && !raw) {
        fprintf(stderr, "usage: replay counts.csv | replay --raw counts.bin | replay --probe counts.bin\n");
        return 2;
    }
    FILE *file = fopen(argv[argc - 1], raw ? "rb" : "r");
    if (file == NULL) {
        fprintf(stderr, "replay: %s cannot be opened\n", argv[argc - 1]);
        return 1;
    }
    static tapsig_detector detector;
    unsigned long sample = 0;
    long count;
    tapsig_init(&detector);
    puts("event,sample,onset_sample");
    while ((count = next_count(file, raw)) != EOF) {
        const tapsig_event event = tapsig_push(&detector, (uint16_t)count);
        if (event.tap) {
            printf("tap,%lu,%lu\n", sample, sample - event.onset_age);
        }
        if (event.verdict != TAPSIG_NO_VERDICT) {
            printf("%s,%lu,\n", verdict_names[event.verdict], sample);
        }
        if (probe) {
            printf("probe,%lu,%ld\n", sample, (long)tapsig_probe(&detector));
        }
        sample++;
    }
    fclose(file);
    return 0;
}
