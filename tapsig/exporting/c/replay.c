/* Replays a recording through the detector on a host computer and prints one line an event.
 *
 *     replay counts.csv                    the last number of each line is the converter's count
 *     replay --raw counts.bin              unsigned 16-bit counts, low byte first
 *     replay --check vector_counts.csv     compares tapsig_probe with the first number of each line
 *
 * A header and remarks behind # are passed over. Anything else that holds no count ends it with exit code 1, and so
 * does the first value that differs.
 */

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tapsig.h"

static const char *const verdict_names[] = {"", "unjudged", "accepted", "wrong", "void"}; /* as entry.h has them */

static unsigned long samples, line_number;
static char line[1024];

static void fail(const char *what)
{
    fprintf(stderr, "replay: line %lu: %s: %.200s\n", line_number, what, line);
    exit(1);
}

/* The last number of the line; -1 unless it is whole, from 0 to TAPSIG_COUNT_MAX, and stands by itself. */
static long last_number(void)
{
    const char *end = line + strlen(line);
    while (end > line && strchr(" \t\r\n\"',;", end[-1]) != NULL) {
        end--;
    }
    const char *start = end;
    while (start > line && isdigit((unsigned char)start[-1])) {
        start--;
    }
    const char before = start > line ? start[-1] : ' ';
    const bool after_digit = start > line + 1 && isdigit((unsigned char)start[-2]);
    const bool decimal_comma = before == ',' && after_digit && strpbrk(line, ";\t") != NULL;
    if (start == end || end - start > 9 || isalpha((unsigned char)before) || strchr(".-+_/", before) != NULL
        || (before == ':' && after_digit) || decimal_comma) {
        return -1;
    }
    const long value = strtol(start, NULL, 10);
    return value > TAPSIG_COUNT_MAX ? -1 : value;
}

static bool is_header(void)
{
    for (const char *c = line; samples == 0 && *c != '\0'; c++) {
        if (isalpha((unsigned char)*c)) {
            return true;
        }
    }
    return false;
}

static long next_of_text(FILE *file)
{
    while (fgets(line, sizeof line, file) != NULL) {
        line_number++;
        if (strchr(line, '\n') == NULL && !feof(file)) {
            fail("too long, or not plain text");
        }
        if (line[0] == '#' || line[strspn(line, " \t\r\n")] == '\0') {
            continue;
        }
        const long value = last_number();
        if (value >= 0) {
            return value;
        }
        if (!is_header()) {
            fail("its last number is no count of this converter");
        }
    }
    return EOF;
}

static long next_of_raw(FILE *file)
{
    const int low = fgetc(file);
    const int high = fgetc(file);
    if (low == EOF) {
        return EOF;
    }
    if (high == EOF || (low | (high << 8)) > TAPSIG_COUNT_MAX) {
        fprintf(stderr, "replay: sample %lu: no 16-bit count of this converter\n", samples);
        exit(1);
    }
    return low | (high << 8);
}

static void check(const tapsig_detector *detector)
{
    char *end = NULL;
    const long expected = strtol(line, &end, 10);
    if (end == line || *end != ',') {
        fail("it must be probe,count");
    }
    if (tapsig_probe(detector) != expected) {
        fprintf(stderr, "replay: sample %lu: the probe is %ld instead of %ld\n", samples,
                (long)tapsig_probe(detector), expected);
        exit(1);
    }
}

int main(int argc, char **argv)
{
    const bool checking = argc == 3 && strcmp(argv[1], "--check") == 0;
    const bool raw = argc == 3 && strcmp(argv[1], "--raw") == 0;
    if (argc != 2 && !raw && !checking) {
        fprintf(stderr, "usage: replay counts.csv | replay --raw counts.bin | replay --check vector_counts.csv\n");
        return 2;
    }
    FILE *file = fopen(argv[argc - 1], raw ? "rb" : "r");
    if (file == NULL) {
        fprintf(stderr, "replay: %s cannot be opened\n", argv[argc - 1]);
        return 1;
    }
    static tapsig_detector detector;
    long count;
    tapsig_init(&detector);
    puts("event,sample,onset_sample");
    while ((count = raw ? next_of_raw(file) : next_of_text(file)) != EOF) {
        const tapsig_event event = tapsig_push(&detector, (uint16_t)count);
        if (event.tap) {
            printf("tap,%lu,%lu\n", samples, samples - event.onset_age);
        }
        if (event.verdict != 0) {
            printf("%s,%lu,\n", verdict_names[event.verdict], samples);
        }
        if (checking) {
            check(&detector);
        }
        samples++;
    }
    fclose(file);
    if (samples == 0) {
        fprintf(stderr, "replay: %s holds no count\n", argv[argc - 1]);
        return 1;
    }
    fprintf(stderr, "replay: %lu samples, %.3f s\n", samples, (double)samples / TAPSIG_FS_HZ);
    return 0;
}
