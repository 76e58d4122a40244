#include "host.h"

#include <string.h>

#include "batch.h"

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

static inline uint32_t smaller(uint32_t one, uint32_t other)
{
    return one < other ? one : other;
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

static uint32_t run_batch(tapsig_tap *tap, const tapsig_tap_config *config, const tapsig_forest *forest,
                          const tapsig_batch *batch, uint32_t first, tapsig_judged *judged)
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
        if (tap->stage == TAPSIG_DESCRIBED && forest->trees > 0) { /* no tree is left for the next stages */
            tap->candidate.score = (int16_t)(tap->candidate.score + tapsig_forest_add(forest, tap->candidate.row));
            tap->tree = config->trees.size;
        }
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

static uint32_t run(tapsig_tap *tap, const tapsig_tap_config *config, const tapsig_forest *forest, const uint16_t *counts,
                    uint32_t size, tapsig_judged *judged, tapsig_ahead *ahead)
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
            tapsig_batch_levels(&batch, &tap->levels, &config->rate, ahead);
            found += run_batch(tap, config, forest, &batch, taken, judged + found);
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

uint32_t tapsig_tap_run(tapsig_tap *tap, const tapsig_tap_config *config, const tapsig_forest *forest,
                        const uint16_t *counts, uint32_t size, tapsig_judged *judged)
{
    tapsig_ahead nothing = {0};
    return run(tap, config, forest, counts, size, judged, &nothing);
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

uint32_t tapsig_tap_run_volts(tapsig_tap *tap, const tapsig_tap_config *config, const tapsig_forest *forest,
                              const tapsig_scale *scale, const double *volts, uint32_t size, tapsig_judged *judged,
                              uint32_t *found)
{
    uint16_t counts[2][TAPSIG_PIECE];
    tapsig_ahead ahead = {.scale = scale};
    *found = 0;
    for (uint32_t start = 0; start < size; start += TAPSIG_PIECE) {
        const uint32_t left = size - start, part = smaller(left, TAPSIG_PIECE);
        uint16_t *these = counts[start / TAPSIG_PIECE % 2], *next = counts[(start / TAPSIG_PIECE + 1) % 2];
        const uint32_t done = ahead.done + tapsig_quantise(volts + start + ahead.done, part - ahead.done, scale,
                                                           these + ahead.done);
        if (done < part) {
            return start + done;
        }
        ahead = (tapsig_ahead){scale, volts + start + part, next, smaller(left - part, TAPSIG_PIECE), 0};
        const uint32_t added = run(tap, config, forest, these, part, judged + *found, &ahead);
        for (uint32_t i = 0; i < added; i++) {
            judged[(*found)++].decided += start;
        }
    }
    return size;
}
