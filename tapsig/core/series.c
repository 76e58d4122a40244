#include "series.h"

static double magnitude(double value)
{
    return value < 0.0 ? -value : value;
}

double tapsig_remove_slow(const double *samples, size_t size, double mean, double share, double *out)
{
    for (size_t i = 0; i < size; i++) {
        const double departure = samples[i] - mean;
        out[i] = departure;
        mean += share * departure;
    }
    return mean;
}

double tapsig_follow_envelope(const double *magnitudes, size_t size, double level, double attack, double release,
                              double *out)
{
    for (size_t i = 0; i < size; i++) {
        const double change = magnitudes[i] - level;
        level += (change > 0.0 ? attack : release) * change;
        out[i] = level;
    }
    return level;
}

size_t tapsig_sta_lta_run(tapsig_sta_lta *state, const tapsig_sta_lta_config *config, const double *samples,
                          size_t size, int64_t first, int64_t *onsets, double *ratios)
{
    const tapsig_sta_lta_config own = *config;
    tapsig_sta_lta now = *state;
    size_t found = 0;
    for (size_t i = 0; i < size; i++) {
        const double departure = samples[i] - now.mean;
        now.mean += own.high_pass * departure;
        const double power = departure * departure;
        now.sta += own.sta * (power - now.sta);
        now.lta += own.lta * (power - now.lta);
        const double ratio = (now.sta + 1e-99) / (now.lta + own.floor_power + 1e-99);
        const int64_t number = first + (int64_t)i;
        if (now.triggered) {
            now.triggered = !(ratio < own.off);
        } else if (ratio > own.on && number >= now.ready) {
            onsets[found] = number;
            ratios[found] = ratio;
            found++;
            now.triggered = 1;
            now.ready = number + own.dead;
        }
    }
    *state = now;
    return found;
}

size_t tapsig_sample_envelope(double *state, const double *samples, size_t size, int64_t first, int64_t step,
                              double high_pass, double attack, double release, double *envelopes)
{
    double mean = state[0], envelope = state[1];
    int64_t left = step - first % step; /* samples up to the next one that is told, itself included */
    size_t found = 0;
    for (size_t i = 0; i < size; i++) {
        const double departure = samples[i] - mean;
        mean += high_pass * departure;
        const double change = magnitude(departure) - envelope;
        envelope += (change > 0.0 ? attack : release) * change;
        if (--left == 0) {
            envelopes[found++] = envelope;
            left = step;
        }
    }
    state[0] = mean;
    state[1] = envelope;
    return found;
}

size_t tapsig_follow_prominence(const double *levels, size_t size, double *ring, size_t places, size_t next,
                                double *out)
{
    for (size_t i = 0; i < size; i++) {
        double lowest = levels[i];
        size_t at = next;
        for (size_t back = 0; back < places; back++) {
            at = at ? at - 1 : places - 1;
            const double before = ring[at];
            if (!(before <= levels[i])) { /* higher, or none yet: nan */
                break;
            }
            lowest = before < lowest ? before : lowest;
        }
        out[i] = levels[i] - lowest;
        ring[next] = levels[i];
        next = next + 1 == places ? 0 : next + 1;
    }
    return next;
}

/* Index of the first of the ascending `values` that is `least` or more; `size` if none is. */
static size_t find_first(const int64_t *values, size_t size, int64_t least)
{
    size_t low = 0, high = size;
    while (low < high) {
        const size_t middle = low + (high - low) / 2;
        if (values[middle] < least) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return low;
}

tapsig_counted tapsig_count_taps(const int64_t *crossings, const double *times_s, size_t size, const int64_t *stops,
                                 const double *taps_s, size_t taps, int64_t dead, double window_s)
{
    tapsig_counted counted = {0, 0};
    size_t at = 0, tap = 0, stretch = 0;
    while (at < size) {
        counted.onsets++;
        while (tap < taps && taps_s[tap] < times_s[at] && magnitude(taps_s[tap] - times_s[at]) > window_s) {
            tap++;
        }
        if (tap < taps && magnitude(taps_s[tap] - times_s[at]) <= window_s) {
            counted.pairs++;
            tap++;
        }
        while (crossings[at] >= stops[stretch]) {
            stretch++;
        }
        const int64_t over = crossings[at] + dead; /* the detector starts anew after a gap */
        at += find_first(crossings + at, size - at, over < stops[stretch] ? over : stops[stretch]);
    }
    return counted;
}
