#include "host.h"

#include <string.h>

#include "batch.h"

#if defined(__SSE2__) && !defined(TAPSIG_PLAIN)
#define TAPSIG_SSE2
#include "host_sse2.h"
#endif

static void note(tapsig_judged *judged, const tapsig_tap *tap, const tapsig_tap_config *config, uint8_t verdict,
                 uint32_t decided)
{
    judged->candidate = tap->candidate;
    judged->verdict = verdict;
    judged->onset_age = tapsig_tap_onset_age(tap, config);
    judged->decided = decided;
}

static inline uint8_t larger(uint8_t one, uint8_t other)
{
    return one > other ? one : other;
}

/* ---- four blocks at a time: each four has a reference, the highest of the eleven before (levels.c) */

#define FOURS 16 /* kept in `maxima` */

static uint8_t find_reference(const uint8_t *maxima, uint32_t four)
{
    uint8_t reference = 0;
    for (uint32_t i = 1; i < 12; i++) {
        reference = larger(reference, maxima[(four - i) & (FOURS - 1)]);
    }
    return reference;
}

/* Whether a level may trigger a candidate in the next four blocks, which compare with the reference of this four or of the
 * one before. While a panel rings, the first four looked at is too high. */
static bool may_rise(const tapsig_levels *levels, uint8_t channel, uint8_t highest, uint32_t four)
{
    static const uint8_t rise[TAPSIG_TRACKED] = {TAPSIG_RISE_INNOVATION, TAPSIG_RISE_FAST};
    const uint8_t *maxima = levels->maxima[channel];
    const int32_t most = highest - rise[channel];
    if (highest < (levels->background[channel].quietest >> 8) + TAPSIG_FAINT) {
        return false;
    }
    for (uint32_t i = 2; i < 12; i++) {
        if (maxima[(four - i) & (FOURS - 1)] > most) {
            return false;
        }
    }
    return maxima[(four - 1) & (FOURS - 1)] <= most || maxima[(four - 12) & (FOURS - 1)] <= most;
}

/* Blocks, of `size`, until a waiting candidate is judged. */
static uint32_t count_waiting(const tapsig_tap *tap, uint32_t size)
{
    if (tap->pending_count == 0) {
        return size;
    }
    const uint32_t age = tap->levels.block - tap->pending[0];
    const uint32_t waiting = tap->stage > 0 || age > TAPSIG_AFTER ? 0 : TAPSIG_AFTER - age;
    return waiting < size ? waiting : size;
}

/* Keep the highest levels of a four. */
static void keep_highest(tapsig_levels *levels, const tapsig_batch *batch, uint32_t block, uint32_t four)
{
    for (uint8_t channel = 0; channel < TAPSIG_TRACKED; channel++) {
        const uint8_t highest = batch->highest[channel][block / 4];
        levels->maxima[channel][four] = highest;
        levels->highest_64[channel] = larger(levels->highest_64[channel], highest);
    }
}

static void find_references(tapsig_levels *levels, uint32_t four)
{
    for (uint8_t channel = 0; channel < TAPSIG_TRACKED; channel++) {
        levels->reference[channel] = levels->next_reference[channel] = find_reference(levels->maxima[channel], four);
    }
}

/* tapsig_levels_keep and tapsig_tap_follow, for fours in which these have nothing to do but to keep levels. The last block
 * of 64 is not kept. Returns how many blocks were. */
static uint32_t keep_several(tapsig_tap *tap, const tapsig_batch *batch, uint32_t first)
{
    tapsig_levels *levels = &tap->levels;
    const uint32_t begin = levels->block & (TAPSIG_BLOCKS_KEPT - 1), most = count_waiting(tap, batch->size - first);
    uint32_t kept = 0;
    for (; kept + 4 <= most; kept += 4) {
        const uint32_t four = (begin + kept) / 4, block = first + kept;
        if (tap->apart < kept + 4
            && (may_rise(levels, 0, batch->highest[0][block / 4], four)
                || may_rise(levels, 1, batch->highest[1][block / 4], four))) {
            break;
        }
        keep_highest(levels, batch, block, four);
    }
    if (kept == 0) {
        return 0;
    }
    for (uint8_t channel = 0; channel < TAPSIG_CHANNELS; channel++) {
        memcpy(levels->level[channel] + begin, batch->level[channel] + first, kept);
    }
    find_references(levels, (begin + kept) / 4 - 1);
    kept -= begin + kept == TAPSIG_BLOCKS_KEPT;
    levels->block += kept;
    tap->apart = (uint8_t)(tap->apart > kept ? tap->apart - kept : 0);
    return kept;
}

/* In `whole` fours, none the last of 64, what follows from the highest levels is the same at once. */
static uint8_t keep_one(tapsig_tap *tap, const tapsig_tap_config *config, const tapsig_batch *batch, uint32_t block,
                        bool whole)
{
    tapsig_levels *levels = &tap->levels;
    const uint32_t place = levels->block & (TAPSIG_BLOCKS_KEPT - 1);
    for (uint8_t channel = 0; channel < TAPSIG_CHANNELS; channel++) {
        levels->level[channel][place] = batch->level[channel][block];
    }
    if (!whole) {
        tapsig_levels_keep(levels);
        return tapsig_tap_follow(tap, config);
    }
    if ((place & 3) == 3) {
        keep_highest(levels, batch, block, place / 4);
        find_references(levels, place / 4);
    }
    levels->block++;
    return tapsig_tap_follow(tap, config);
}

static uint32_t run_batch(tapsig_tap *tap, const tapsig_tap_config *config, const tapsig_batch *batch, uint32_t first,
                          tapsig_judged *judged)
{
    uint32_t found = 0;
    bool whole = false;
    for (uint32_t i = 0; i < batch->size;) {
        const uint32_t place = tap->levels.block & (TAPSIG_BLOCKS_KEPT - 1);
        if ((place & 3) == 0) {
            const uint32_t kept = tap->levels.settled ? keep_several(tap, batch, i) : 0;
            if (kept > 0) {
                i += kept;
                whole = false;
                continue;
            }
            whole = tap->levels.settled && i + 4 <= batch->size && place < TAPSIG_BLOCKS_KEPT - 4;
        }
        const uint8_t verdict = keep_one(tap, config, batch, i, whole);
        if (verdict != TAPSIG_NOTHING) {
            note(&judged[found++], tap, config, verdict, first + tapsig_batch_stop(batch, i + 1) - 1);
        }
        i++;
    }
    return found;
}

/* Batches begin with a four, and end where 64 blocks end. */
static uint32_t most_blocks(const tapsig_levels *levels)
{
    const uint32_t whole = (levels->block & 3) != 0 ? 4 : TAPSIG_BLOCKS_KEPT;
    return whole - (levels->block & (whole - 1));
}

uint32_t tapsig_tap_run(tapsig_tap *tap, const tapsig_tap_config *config, const uint16_t *counts, uint32_t size,
                        tapsig_judged *judged)
{
    tapsig_batch batch;
    uint32_t found = 0;
    uint32_t taken = 0;
    while (taken < size) {
        uint32_t next = size - taken;
        batch.size = 0;
        if (config->order == TAPSIG_ORDER) {
            next = tapsig_batch_take(&batch, &tap->blocks, &config->rate, counts + taken, next, most_blocks(&tap->levels));
        }
        if (batch.size > 0) {
            tapsig_batch_levels(&batch, &tap->levels, &config->rate);
            found += run_batch(tap, config, &batch, taken, judged + found);
            taken += next;
            continue;
        }
        uint16_t used;
        const uint16_t most = (uint16_t)(next < UINT16_MAX ? next : UINT16_MAX);
        const uint8_t verdict = tapsig_tap_take(tap, config, counts + taken, most, &used);
        taken += used;
        if (verdict != TAPSIG_NOTHING) {
            note(&judged[found++], tap, config, verdict, taken - 1);
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
                                     int16_t no_taps, const uint8_t *code, uint8_t digits, uint8_t first_tempo,
                                     uint8_t stop_tempo, tapsig_trace *trace)
{
    tapsig_comparing comparing;
    tapsig_evidence own = *evidence; /* comparing wears it out */
    tapsig_compare_begin(&comparing, no_taps, first_tempo);
    while (!tapsig_compare_step(&comparing, &own, config, code, digits, stop_tempo, trace)) {
    }
    return comparing.result;
}

#define PIECE 512 /* samples at a time, which stay in the fastest memory */

#ifndef TAPSIG_SSE2
#define EXPONENT (UINT64_C(0x7FF) << 52)

static uint64_t bits_of(double number)
{
    uint64_t bits;
    memcpy(&bits, &number, sizeof bits);
    return bits;
}

/* Whether the exponent of a double is lower than that of `limit` in all of them: finite, and smaller. Its sum with what
 * `limit` lacks to the sign's bit leaves that bit alone. Comparing doubles does not become vector instructions. */
static bool are_below(const double *volts, uint32_t size, double limit)
{
    const uint64_t rest = (UINT64_C(1) << 63) - (bits_of(limit) & EXPONENT);
    uint64_t any = 0;
    for (uint32_t i = 0; i < size; i++) {
        any |= (bits_of(volts[i]) & EXPONENT) + rest;
    }
    return any >> 63 == 0;
}

/* Returns whether all counts are those of the converter. */
static bool tapsig_convert(const double *volts, uint32_t size, const tapsig_scale *scale, uint16_t *counts)
{
    const double low = scale->low, per_volt = scale->per_volt;
    const double most = 1e9 / per_volt - (low < 0.0 ? -low : low); /* within 31 bits */
    uint32_t any = 0;
    if (!(most > 0.0 && are_below(volts, size, most))) {
        return false;
    }
    for (uint32_t i = 0; i < size; i++) {
        const int32_t count = (int32_t)((volts[i] - low) * per_volt + 0.5);
        any |= (uint32_t)count;
        counts[i] = (uint16_t)count;
    }
    return any <= scale->highest;
}
#endif

/* Returns the index of the first sample that is not finite, or `size`. */
static uint32_t convert_and_limit(const double *volts, uint32_t size, const tapsig_scale *scale, uint16_t *counts)
{
    for (uint32_t i = 0; i < size; i++) {
        if (volts[i] - volts[i] != 0.0) { /* nan */
            return i;
        }
        const double value = (volts[i] - scale->low) * scale->per_volt + 0.5;
        const double least = value > 0.0 ? value : 0.0;
        counts[i] = (uint16_t)(least < scale->highest ? least : scale->highest);
    }
    return size;
}

uint32_t tapsig_quantise(const double *volts, uint32_t size, const tapsig_scale *scale, uint16_t *counts)
{
    for (uint32_t start = 0; start < size; start += PIECE) {
        const uint32_t part = size - start < PIECE ? size - start : PIECE;
        if (tapsig_convert(volts + start, part, scale, counts + start)) {
            continue;
        }
        const uint32_t done = convert_and_limit(volts + start, part, scale, counts + start);
        if (done < part) {
            return start + done;
        }
    }
    return size;
}

/* Have the memory deliver samples while others are worked on. */
static void fetch(const double *volts, uint32_t size)
{
#ifdef __GNUC__
    for (uint32_t i = 0; i < size; i += 64 / sizeof *volts) {
        __builtin_prefetch(volts + i);
    }
#else
    (void)volts, (void)size;
#endif
}

uint32_t tapsig_tap_run_volts(tapsig_tap *tap, const tapsig_tap_config *config, const tapsig_scale *scale,
                              const double *volts, uint32_t size, tapsig_judged *judged, uint32_t *found)
{
    uint16_t counts[PIECE];
    *found = 0;
    for (uint32_t start = 0; start < size; start += PIECE) {
        const uint32_t left = size - start, part = left < PIECE ? left : PIECE;
        const uint32_t done = tapsig_quantise(volts + start, part, scale, counts);
        if (done < part) {
            return start + done;
        }
        fetch(volts + start + part, left - part < PIECE ? left - part : PIECE);
        const uint32_t added = tapsig_tap_run(tap, config, counts, part, judged + *found);
        for (uint32_t i = 0; i < added; i++) {
            judged[(*found)++].decided += start;
        }
    }
    return size;
}
