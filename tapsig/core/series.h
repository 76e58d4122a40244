/* Loops over samples in volts, one sample after the other, for the analyses and the research detectors of a desktop.
 * They are no part of an export. */
#ifndef TAPSIG_SERIES_H
#define TAPSIG_SERIES_H

#include <stddef.h>
#include <stdint.h>

/* `out` = samples less their slow mean, which moves by `share` of what is left and starts from `mean`.
 * Returns the mean after the last sample. */
double tapsig_remove_slow(const double *samples, size_t size, double mean, double share, double *out);

/* `out` = first-order follower of `magnitudes`, from `level` on; `attack` and `release` are the shares of the new
 * sample while rising and while falling. Returns the last level. */
double tapsig_follow_envelope(const double *magnitudes, size_t size, double level, double attack, double release,
                              double *out);

/* Numbers of a short-term over long-term average; shares of the new sample, ratios of power. */
typedef struct {
    double high_pass, sta, lta;
    double on, off;
    double floor_power;
    int64_t dead; /* samples */
} tapsig_sta_lta_config;

typedef struct {
    double mean, sta, lta;
    int64_t ready;     /* first sample that may trigger */
    uint8_t triggered; /* until the ratio falls below `off` */
} tapsig_sta_lta;

/* Onsets (counted from `first`, the number of samples[0]) and ratios, for which there is room for `size`; returns how
 * many. sta += share (x^2 - sta), lta likewise (Withers et al., Bull. Seism. Soc. Am. 88, 1998). */
size_t tapsig_sta_lta_run(tapsig_sta_lta *state, const tapsig_sta_lta_config *config, const double *samples,
                          size_t size, int64_t first, int64_t *onsets, double *ratios);

/* The envelope of the high-passed magnitude at each sample whose number, from `first` on, is `step` - 1 of `step`;
 * state = [mean, envelope]. Returns how many there are: at most size / step + 1. */
size_t tapsig_sample_envelope(double *state, const double *samples, size_t size, int64_t first, int64_t step,
                              double high_pass, double attack, double release, double *envelopes);

/* Each level over the lowest since the last higher one, within the latest `places` levels; `ring` holds those (nan =
 * none yet) from `next` on. Returns the next place. */
size_t tapsig_follow_prominence(const double *levels, size_t size, double *ring, size_t places, size_t next,
                                double *out);

/* Detections of a threshold with one dead time, and how many of them belong to a tap. */
typedef struct {
    size_t onsets, pairs;
} tapsig_counted;

/* Jump along `crossings` (samples over the threshold, ascending, at `times_s`), each time on by `dead` samples or to
 * the end of the gap-free stretch in `stops`; match in order with `taps_s`, which are within `window_s`. */
tapsig_counted tapsig_count_taps(const int64_t *crossings, const double *times_s, size_t size, const int64_t *stops,
                                 const double *taps_s, size_t taps, int64_t dead, double window_s);

#endif
