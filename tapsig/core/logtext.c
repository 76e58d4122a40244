#include "logtext.h"

#define MAX_DIGITS 18                          /* which an integer of 64 bits can hold */
#define LARGEST_EXACT (UINT64_C(1) << 53)       /* up to it, number and power of ten are exact, so their quotient is */
static const double POWERS[MAX_DIGITS + 1] = { /* correctly rounded */
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18};

/* Add the digits from `at` on to `number`; returns the first byte that is none. */
static inline const uint8_t *take_digits(const uint8_t *at, uint64_t *number)
{
    uint64_t sum = *number;
    for (uint8_t digit = (uint8_t)(*at - '0'); digit <= 9; digit = (uint8_t)(*at - '0')) {
        sum = sum * 10 + digit;
        at++;
    }
    *number = sum;
    return at;
}

/* One decimal number from `at` on; returns the byte after it, or a null pointer where there is none. */
static inline const uint8_t *take_number(const uint8_t *at, uint8_t decimal, double *number)
{
    const uint8_t sign = *at;
    if (sign == '-' || sign == '+') {
        at++;
    }
    uint64_t mantissa = 0;
    const uint8_t *first = at;
    at = take_digits(at, &mantissa);
    size_t digits = (size_t)(at - first), decimals = 0;
    if (*at == decimal) {
        first = ++at;
        at = take_digits(at, &mantissa);
        decimals = (size_t)(at - first);
        digits += decimals;
    }
    if (digits == 0 || digits > MAX_DIGITS || mantissa > LARGEST_EXACT) {
        return NULL;
    }
    const double whole = (double)(int64_t)mantissa;
    const double size = decimals ? whole / POWERS[decimals] : whole;
    *number = sign == '-' ? -size : size;
    return at;
}

/* One line from `at` on; returns the byte after its line feed, or a null pointer where it is not plain. */
static inline const uint8_t *take_line(const uint8_t *at, const tapsig_line_format *format, double *stamp,
                                       double *value)
{
    const uint8_t delimiter = format->delimiter;
    for (int32_t column = 0; column < format->columns; column++) {
        if (column == format->time || column == format->value) {
            while (*at == ' ') {
                at++;
            }
            at = take_number(at, format->decimal, column == format->time ? stamp : value);
            if (at == NULL) {
                return NULL;
            }
            while (*at == ' ' && delimiter != ' ') {
                at++;
            }
        } else {
            for (; *at != delimiter && *at != '\n'; at++) {
                if (*at == 0) {
                    return NULL;
                }
            }
        }
        if (column < format->columns - 1 || format->trailing) {
            if (*at++ != delimiter) {
                return NULL;
            }
        }
    }
    return *at == '\n' ? at + 1 : NULL;
}

tapsig_parsed tapsig_parse_lines(const uint8_t *text, size_t start, size_t size, const tapsig_line_format *format,
                                 double *stamps, double *values)
{
    const tapsig_line_format own = *format; /* a local one stays in registers */
    const uint8_t *at = text + start, *end = text + size;
    size_t rows = 0;
    while (at < end) {
        double stamp = 0.0, value = 0.0;
        const uint8_t *next = take_line(at, &own, &stamp, &value);
        if (next == NULL) {
            break;
        }
        stamps[rows] = stamp;
        values[rows] = value;
        rows++;
        at = next;
    }
    const tapsig_parsed parsed = {(size_t)(at - text), rows};
    return parsed;
}

tapsig_steps tapsig_scan_steps(const double *ticks, size_t size, double shortest_loss, double shortest_gap,
                               int64_t *edges, size_t room)
{
    tapsig_steps steps = {0, 0, 0, 0.0, 0.0};
    for (size_t i = 1; i < size; i++) {
        const double step = ticks[i] - ticks[i - 1];
        if (step > shortest_gap) {
            if (steps.gaps < room) {
                edges[steps.gaps] = (int64_t)i;
            }
            steps.gaps++;
            continue;
        }
        steps.steady += step;
        steps.zeros += step == 0.0;
        if (step > shortest_loss) {
            steps.losses++;
            steps.lost += step;
        }
    }
    return steps;
}

tapsig_stretch tapsig_measure_stretch(const double *ticks, size_t start, size_t stop, double origin, double period,
                                      double shortest_loss)
{
    const double first = ticks[start] - (origin + (double)start * period);
    tapsig_stretch stretch = {0.0, first, first, 0, 0.0};
    double total = 0.0, sum = 0.0, squares = 0.0;
    for (size_t i = start; i < stop; i++) {
        const double deviation = ticks[i] - (origin + (double)i * period);
        total += deviation;
        stretch.least = deviation < stretch.least ? deviation : stretch.least;
        stretch.greatest = deviation > stretch.greatest ? deviation : stretch.greatest;
        if (i > start) {
            const double excess = ticks[i] - ticks[i - 1] - period; /* around the period: no digits are lost */
            if (excess + period <= shortest_loss) {
                stretch.steps++;
                sum += excess;
                squares += excess * excess;
            }
        }
    }
    stretch.mean = total / (double)(stop - start);
    if (stretch.steps) {
        const double mean = sum / (double)stretch.steps;
        const double variance = squares / (double)stretch.steps - mean * mean;
        stretch.variance = variance > 0.0 ? variance : 0.0;
    }
    return stretch;
}
