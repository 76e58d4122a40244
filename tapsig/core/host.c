#include "host.h"

uint32_t tapsig_tap_run(tapsig_tap *tap, const tapsig_tap_config *config, const uint16_t *counts, uint32_t size,
                        tapsig_judged *judged)
{
    uint32_t found = 0;
    uint32_t taken = 0;
    while (taken < size) {
        uint16_t used;
        const uint16_t most = (uint16_t)(size - taken < UINT16_MAX ? size - taken : UINT16_MAX);
        const uint8_t verdict = tapsig_tap_take(tap, config, counts + taken, most, &used);
        taken += used;
        if (verdict != TAPSIG_NOTHING) {
            judged[found].candidate = tap->candidate;
            judged[found].verdict = verdict;
            judged[found].onset_age = tapsig_tap_onset_age(tap, config);
            judged[found].decided = taken - 1;
            found++;
        }
    }
    return found;
}

uint32_t tapsig_fixed_threshold_run(tapsig_fixed_threshold *detector, const tapsig_fixed_threshold_config *config,
                                    const uint16_t *counts, uint32_t size, tapsig_plain_tap *taps)
{
    uint32_t found = 0;
    for (uint32_t i = 0; i < size; i++) {
        if (tapsig_fixed_threshold_push(detector, config, counts[i])) {
            const tapsig_plain_tap tap = {.decided = i, .onset_age = 0, .over = detector->departure};
            taps[found++] = tap;
        }
    }
    return found;
}

uint32_t tapsig_ring_following_run(tapsig_ring_following *detector, const tapsig_ring_following_config *config,
                                   const uint16_t *counts, uint32_t size, tapsig_plain_tap *taps)
{
    uint32_t found = 0;
    for (uint32_t i = 0; i < size; i++) {
        uint16_t onset_age;
        if (tapsig_ring_following_push(detector, config, counts[i], &onset_age)) {
            const tapsig_plain_tap tap = {.decided = i, .onset_age = onset_age, .over = detector->over};
            taps[found++] = tap;
        }
    }
    return found;
}

tapsig_comparison tapsig_compare_run(const tapsig_evidence *evidence, const tapsig_evidence_config *config,
                                     const uint8_t *code, uint8_t digits, uint8_t first_tempo, uint8_t stop_tempo,
                                     tapsig_trace *trace)
{
    tapsig_comparing comparing;
    tapsig_evidence own = *evidence; /* comparing wears it out */
    tapsig_compare_begin(&comparing, first_tempo);
    while (!tapsig_compare_step(&comparing, &own, config, code, digits, stop_tempo, trace)) {
    }
    return comparing.result;
}

uint32_t tapsig_quantise(const double *volts, uint32_t size, double low, double per_volt, uint16_t highest,
                         uint16_t *counts)
{
    double unusual = 0.0; /* stays 0 while all samples are finite: x - x is nan for nan and inf */
    for (uint32_t i = 0; i < size; i++) {
        const double value = (volts[i] - low) * per_volt + 0.5;
        unusual += volts[i] - volts[i];
        const double least = value > 0.0 ? value : 0.0;
        counts[i] = (uint16_t)(int32_t)(least < highest ? least : highest);
    }
    if (unusual == 0.0) {
        return size;
    }
    uint32_t first = 0;
    while (volts[first] - volts[first] == 0.0) {
        first++;
    }
    return first;
}
