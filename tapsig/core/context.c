#include "context.h"

#include "fixed.h"

#define APART_MS 80      /* a candidate so close may be of the same blow */
#define NEAR_MS 1024
#define DIFFERENT 40     /* most that one byte of shape counts */
#define MOST_UNLIKE (TAPSIG_SHAPE * DIFFERENT)
#define MOST_WEIGHT 12   /* of a likely candidate, from 3 nats on; 0 below -3 */
#define MAYBE_WEIGHT 3   /* from -1.5 nats on */
#define LOWEST_SCORE 320 /* -5 nats */
#define NEAREST 3
#define KERNEL_SIZE 15

/* 64 exp(-(d + 1/2) / 3) for a mean difference of d steps of a level */
static const uint8_t KERNEL[KERNEL_SIZE] = {54, 39, 28, 20, 14, 10, 7, 5, 4, 3, 2, 1, 1, 1, 1};

static uint8_t byte_of_score(int16_t score)
{
    const int32_t above = (int32_t)score + LOWEST_SCORE;
    return (uint8_t)(above < 0 ? 0 : above >= 1024 ? UINT8_MAX : above >> 2);
}

static uint8_t find_weight(int16_t score)
{
    const int32_t above = ((int32_t)score + 192) >> 5;
    return (uint8_t)(above < 0 ? 0 : above > MOST_WEIGHT ? MOST_WEIGHT : above);
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
    for (uint8_t k = 0; k < NEAREST; k++) {
        if (value < smallest[k]) {
            const uint16_t larger = smallest[k];
            smallest[k] = value;
            value = larger;
        }
    }
}

void tapsig_context_describe(const tapsig_evidence *evidence, const tapsig_evidence_config *config, uint8_t index,
                             uint8_t *row)
{
    int16_t highest = -LOWEST_SCORE;
    uint16_t likely = 0, likely_near = 0, like_likely = 0, like_unlikely = 0;
    uint16_t smallest[NEAREST] = {MOST_UNLIKE, MOST_UNLIKE, MOST_UNLIKE};
    for (uint8_t j = evidence->first; j < evidence->stop; j++) {
        const uint16_t later = (uint16_t)(evidence->time[j] - evidence->time[index]);
        const uint16_t apart = j > index ? later : (uint16_t)-later;
        if (apart <= APART_MS) {
            continue;
        }
        const int16_t score = evidence->score[j];
        const uint8_t weight = find_weight(score);
        const uint16_t unlike = compare_shapes(evidence->shape[index], evidence->shape[j]);
        const uint8_t kernel = (unlike >> 3) < KERNEL_SIZE ? KERNEL[unlike >> 3] : 0;
        highest = score > highest ? score : highest;
        likely = (uint16_t)(likely + weight);
        likely_near = (uint16_t)(likely_near + (apart < NEAR_MS ? weight : 0));
        like_likely = (uint16_t)(like_likely + weight * kernel); /* at most 63 x 12 x 54 */
        like_unlikely = (uint16_t)(like_unlikely + (MOST_WEIGHT - weight) * kernel);
        if (weight >= MAYBE_WEIGHT) {
            keep_smallest(smallest, unlike);
        }
    }
    const uint16_t span = (uint16_t)(evidence->time[evidence->stop - 1] - evidence->time[evidence->first]);
    row[0] = byte_of_score(evidence->score[index]);
    row[1] = byte_of_score(highest);
    row[2] = tapsig_level(likely);
    row[3] = tapsig_level(likely_near);
    row[4] = tapsig_level(((uint32_t)span + config->silence_ms) / (uint8_t)(evidence->stop - evidence->first));
    row[5] = tapsig_level(like_likely);
    row[6] = tapsig_level(like_unlikely);
    row[7] = (uint8_t)((smallest[0] + smallest[1] + smallest[2]) >> 2);
}

int16_t tapsig_context_judge(const tapsig_evidence *evidence, const tapsig_evidence_config *config, uint8_t index)
{
    uint8_t row[TAPSIG_CONTEXT];
    uint16_t position = 0;
    if (config->context.size == 0) {
        return evidence->score[index];
    }
    tapsig_context_describe(evidence, config, index, row);
    return (int16_t)(config->context.base + tapsig_trees_add(&config->context, row, &position, UINT8_MAX));
}
