#include "trees.h"

int16_t tapsig_trees_add(const tapsig_trees *trees, const uint8_t *row, uint16_t *position, uint8_t most)
{
    int16_t score = 0;
    uint16_t tree = *position;
    while (tree < trees->size && most-- > 0) {
        uint16_t node = (uint16_t)(tree + 1);
        uint8_t feature;
        while ((feature = TAPSIG_READ(trees->nodes, node)) != TAPSIG_LEAF) {
            const uint8_t threshold = TAPSIG_READ(trees->nodes, node + 1);
            const uint8_t left = TAPSIG_READ(trees->nodes, node + 2);
            node = (uint16_t)(node + 3 + (row[feature] <= threshold ? 0 : left));
        }
        score = (int16_t)(score + (int8_t)TAPSIG_READ(trees->nodes, node + 1));
        tree = (uint16_t)(tree + 1 + TAPSIG_READ(trees->nodes, tree));
    }
    *position = tree;
    return score;
}
