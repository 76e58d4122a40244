/* The inner loops of reading a log: lines of plain numbers to columns, and stamps to their steps. Only a desktop needs
 * them; they are no part of an export. */
#ifndef TAPSIG_LOGTEXT_H
#define TAPSIG_LOGTEXT_H

#include <stddef.h>
#include <stdint.h>

/* What a plain line holds: `columns` cells (and a delimiter at its end if `trailing`), and a decimal number, of digits
 * up to 2^53, in the columns `time` (-1 = none) and `value`. A cell ends at `delimiter` (0 = there is one cell). */
typedef struct {
    uint8_t delimiter;
    uint8_t decimal; /* the point, or the comma, of a number */
    uint8_t trailing;
    int32_t columns;
    int32_t time;
    int32_t value;
} tapsig_line_format;

typedef struct {
    size_t position; /* of the first line not taken, or the end */
    size_t rows;     /* how many lines were */
} tapsig_parsed;

/* Parse the lines of text[start, size) into `stamps` and `values`, which have room for one a line; stop before the
 * first line that is not plain. `text` ends with a line feed. */
tapsig_parsed tapsig_parse_lines(const uint8_t *text, size_t start, size_t size, const tapsig_line_format *format,
                                 double *stamps, double *values);

typedef struct {
    size_t gaps;    /* steps above `shortest_gap` */
    size_t zeros;   /* steps of 0 */
    size_t losses;  /* steps above `shortest_loss` that are no gap */
    double lost;    /* their sum */
    double steady;  /* the sum of all steps that are no gap */
} tapsig_steps;

/* Count what the steps between `size` stamps are; `edges` takes the first samples after gaps, up to `room` of them. */
tapsig_steps tapsig_scan_steps(const double *ticks, size_t size, double shortest_loss, double shortest_gap,
                               int64_t *edges, size_t room);

typedef struct {
    double mean; /* of stamp - (origin + index * period) */
    double least;
    double greatest;
    size_t steps;    /* between the stamps, up to `shortest_loss` */
    double variance; /* of those */
} tapsig_stretch;

/* How far the stamps [start, stop), of which there is one at least, are from an even grid. */
tapsig_stretch tapsig_measure_stretch(const double *ticks, size_t start, size_t stop, double origin, double period,
                                      double shortest_loss);

#endif
