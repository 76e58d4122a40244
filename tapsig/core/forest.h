/* All trees at once, for a desktop: the same score as tapsig_trees_add, to the bit. It is no part of an export.
 *
 * A tree's leaves are bits, from left to right. Each node whose byte lies above its threshold rules out the leaves on its
 * left; the lowest bit that is left is the leaf reached. What all nodes of one feature rule out, in all trees, depends on
 * that feature's byte alone, and lies ready in a row of masks (Lucchese et al., "QuickScorer", SIGIR 2015).
 */
#ifndef TAPSIG_FOREST_H
#define TAPSIG_FOREST_H

#include <stdbool.h>
#include <stdint.h>

#include "tap.h"

#define TAPSIG_FOREST_TREES 80
#define TAPSIG_FOREST_LEAVES 8  /* of a tree */
#define TAPSIG_FOREST_MASKS 512 /* rows of masks: thresholds that differ, and one more for each feature */

/* Leaves of each tree that are left, as bytes and as words. */
typedef union {
    uint8_t of_tree[TAPSIG_FOREST_TREES];
    uint64_t words[TAPSIG_FOREST_TREES / 8];
} tapsig_masks;

typedef struct {
    uint32_t trees;    /* 0: it holds none */
    uint32_t features; /* that the trees ask for */
    uint8_t feature[TAPSIG_FEATURES];
    uint8_t lowest_bit[256]; /* of a mask */
    uint16_t row[TAPSIG_FEATURES][256]; /* of `masks`, for each value of a feature */
    tapsig_masks masks[TAPSIG_FOREST_MASKS];
    int8_t leaves[TAPSIG_FOREST_TREES][TAPSIG_FOREST_LEAVES];
} tapsig_forest;

/* Prepare for these trees. Returns false, and holds none, where they are more or larger than there is room for. */
bool tapsig_forest_init(tapsig_forest *forest, const tapsig_trees *trees);

/* The sum of the leaves that a row of features reaches; without the base. */
int16_t tapsig_forest_add(const tapsig_forest *forest, const uint8_t *row);

#endif
