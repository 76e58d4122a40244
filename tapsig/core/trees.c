#include "trees.h"

/* The next byte of a table, which lies in flash on an 8-bit controller. */
static uint8_t tapsig_take(const uint8_t **byte)
{
    uint8_t value;
#ifdef __AVR__
    __asm__("lpm %0, Z+" : "=r"(value), "+z"(*byte));
#else
    value = *(*byte)++;
#endif
    return value;
}

int16_t tapsig_trees_add(const tapsig_trees *trees, const uint8_t *row, uint16_t *position, uint8_t most)
{
    const uint8_t *tree = trees->nodes + *position;
    const uint8_t *end = trees->nodes + trees->size;
    int16_t score = 0;
    while (tree < end && most-- > 0) {
        const uint8_t *node = tree;
        const uint8_t size = tapsig_take(&node);
        tree = node + size;
        uint8_t feature;
        while ((feature = tapsig_take(&node)) != TAPSIG_LEAF) {
            const uint8_t threshold = tapsig_take(&node);
            const uint8_t left = tapsig_take(&node);
            if (row[feature] > threshold) {
                node += left;
            }
        }
        score = (int16_t)(score + (int8_t)tapsig_take(&node));
    }
    *position = (uint16_t)(tree - trees->nodes);
    return score;
}
