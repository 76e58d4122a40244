#include "context.h"

#include "fixed.h"

#define APART_MS 80      /* a candidate so close may be of the same blow */
#define NEAR_MS 1024
#define DIFFERENT 40     /* most that one byte of shape counts */
#define MOST_UNLIKE (TAPSIG_SHAPE * DIFFERENT)
#define MOST_WEIGHT 12   /* of a likely candidate, from 3 nats on; 0 below -3 */
#define MAYBE_WEIGHT 3   /* from -1.5 nats on */
#define LOWEST_SCORE 320 /* -5 nats */
#define OFF_ODDS 32      /* -3 nats */
#define KERNEL_SIZE 15

/* 64 exp(-(d + 1/2) / 3) for a mean difference of d steps of a level */
static const uint8_t KERNEL[KERNEL_SIZE] TAPSIG_TABLE = {54, 39, 28, 20, 14, 10, 7, 5, 4, 3, 2, 1, 1, 1, 1};

uint8_t tapsig_odds_of(int16_t score)
{
    const int16_t above = (int16_t)(score < -LOWEST_SCORE ? 0 : score > 1020 - LOWEST_SCORE ? 1020 : score + LOWEST_SCORE);
    return (uint8_t)(above >> 2);
}

int16_t tapsig_score_of(uint8_t odds)
{
    return (int16_t)((odds << 2) - LOWEST_SCORE);
}

static uint8_t find_weight(uint8_t odds)
{
    const uint8_t weight = (uint8_t)(odds < OFF_ODDS ? 0 : (odds - OFF_ODDS) >> 3);
    return weight > MOST_WEIGHT ? MOST_WEIGHT : weight;
}

static uint16_t compare_shapes(const uint8_t *one, const uint8_t *other)
{
    uint16_t unlike = 0;
    for (uint8_t k = 0; k < TAPSIG_SHAPE; k++) {
        const uint8_t difference = (uint8_t)(one[k] > other[k] ? one[k] - other[k] : other[k] - one[k]);
        unlike = (uint16_t)(unlike + (difference < DIFFERENT ? difference : DIFFERENT));
    }
    return unlike;
}

/* Put `value` into its place among the smallest, ascending. */
static void keep_smallest(uint16_t *smallest, uint16_t value)
{
    for (uint8_t k = 0; k < TAPSIG_NEAREST; k++) {
        if (value < smallest[k]) {
            const uint16_t larger = smallest[k];
            smallest[k] = value;
            value = larger;
        }
    }
}

void tapsig_context_begin(tapsig_context_sums *sums)
{
    *sums = (tapsig_context_sums){.smallest = {MOST_UNLIKE, MOST_UNLIKE, MOST_UNLIKE}};
}

void tapsig_context_add(tapsig_context_sums *sums, const tapsig_evidence *evidence, uint8_t index, uint8_t other)
{
    const uint8_t at = evidence->order[index], beside = evidence->order[other];
    const uint16_t later = (uint16_t)(evidence->time[beside] - evidence->time[at]);
    const uint16_t apart = other > index ? later : (uint16_t)-later;
    if (apart <= APART_MS) {
        return;
    }
    const uint8_t odds = evidence->odds[beside];
    const uint8_t weight = find_weight(odds);
    const uint16_t unlike = compare_shapes(evidence->cell[at].shape, evidence->cell[beside].shape);
    const uint8_t kernel = (uint8_t)((unlike >> 3) < KERNEL_SIZE ? TAPSIG_READ(KERNEL + (unlike >> 3)) : 0);
    sums->highest = odds > sums->highest ? odds : sums->highest;
    sums->likely = (uint16_t)(sums->likely + weight);
    sums->likely_near = (uint16_t)(sums->likely_near + (apart < NEAR_MS ? weight : 0));
    sums->like_likely = (uint16_t)(sums->like_likely + (uint16_t)(weight * kernel)); /* at most 63 x 12 x 54 */
    sums->like_unlikely = (uint16_t)(sums->like_unlikely + (uint16_t)((MOST_WEIGHT - weight) * kernel));
    if (weight >= MAYBE_WEIGHT) {
        keep_smallest(sums->smallest, unlike);
    }
}

void tapsig_context_finish(const tapsig_context_sums *sums, const tapsig_evidence *evidence,
                           const tapsig_evidence_config *config, uint8_t index, uint8_t *row)
{
    const uint8_t first = evidence->order[evidence->first], last = evidence->order[evidence->stop - 1];
    const uint16_t span = (uint16_t)(evidence->time[last] - evidence->time[first]);
    row[0] = evidence->odds[evidence->order[index]];
    row[1] = sums->highest;
    row[2] = tapsig_level(sums->likely);
    row[3] = tapsig_level(sums->likely_near);
    row[4] = tapsig_level(((uint32_t)span + config->silence_ms) / (uint8_t)(evidence->stop - evidence->first));
    row[5] = tapsig_level(sums->like_likely);
    row[6] = tapsig_level(sums->like_unlikely);
    row[7] = (uint8_t)((sums->smallest[0] + sums->smallest[1] + sums->smallest[2]) >> 2);
}

void tapsig_context_describe(const tapsig_evidence *evidence, const tapsig_evidence_config *config, uint8_t index,
                             uint8_t *row)
{
    tapsig_context_sums sums;
    tapsig_context_begin(&sums);
    for (uint8_t other = evidence->first; other < evidence->stop; other++) {
        tapsig_context_add(&sums, evidence, index, other);
    }
    tapsig_context_finish(&sums, evidence, config, index, row);
}

int16_t tapsig_context_judge(const tapsig_evidence *evidence, const tapsig_evidence_config *config, uint8_t index)
{
    uint8_t row[TAPSIG_CONTEXT];
    uint16_t position = 0;
    if (config->context.size == 0) {
        return tapsig_score_of(evidence->odds[evidence->order[index]]);
    }
    tapsig_context_describe(evidence, config, index, row);
    return (int16_t)(config->context.base + tapsig_trees_add(&config->context, row, &position, UINT8_MAX));
}
