#include "forest.h"

#include <string.h>

typedef struct {
    uint8_t feature, threshold, tree, kept; /* leaves that are not ruled out */
} tapsig_rule;

/* What is known of the trees while they are read. */
typedef struct {
    tapsig_forest *forest;
    tapsig_rule rules[TAPSIG_FOREST_MASKS];
    uint32_t size;
    uint32_t leaves; /* of the tree that is read */
    bool fits;
} tapsig_reading;

/* Read what hangs from `node`. */
static void read_node(tapsig_reading *reading, const uint8_t *node)
{
    tapsig_forest *forest = reading->forest;
    const bool is_leaf = node[0] == TAPSIG_LEAF;
    if (is_leaf ? reading->leaves == TAPSIG_FOREST_LEAVES
                : reading->size == TAPSIG_FOREST_MASKS || node[0] >= TAPSIG_FEATURES) {
        reading->fits = false;
    }
    if (!reading->fits) {
        return;
    }
    if (is_leaf) {
        forest->leaves[forest->trees][reading->leaves++] = (int8_t)node[1];
        return;
    }
    tapsig_rule *rule = &reading->rules[reading->size++];
    const uint32_t first = reading->leaves;
    *rule = (tapsig_rule){node[0], node[1], (uint8_t)forest->trees, 0};
    read_node(reading, node + 3);
    rule->kept = (uint8_t)~((1u << reading->leaves) - (1u << first));
    read_node(reading, node + 3 + node[2]);
}

/* Fill the rows of masks that one feature needs, from `next` on; returns the next that is free. */
static uint32_t fill_masks(const tapsig_reading *reading, uint8_t feature, uint32_t next)
{
    tapsig_forest *forest = reading->forest;
    const tapsig_rule *of_feature[TAPSIG_FOREST_MASKS];
    bool is_threshold[256] = {false};
    uint32_t size = 0;
    for (uint32_t i = 0; i < reading->size; i++) {
        if (reading->rules[i].feature == feature) {
            of_feature[size++] = &reading->rules[i];
            is_threshold[reading->rules[i].threshold] = true;
        }
    }
    if (size == 0) {
        return next;
    }
    memset(&forest->masks[next], UINT8_MAX, sizeof forest->masks[0]);
    for (uint32_t value = 0; value < 256; value++) {
        forest->row[forest->features][value] = (uint16_t)next;
        if (is_threshold[value]) { /* higher values rule out more */
            forest->masks[next + 1] = forest->masks[next];
            next++;
            for (uint32_t i = 0; i < size; i++) {
                const uint8_t kept = of_feature[i]->threshold == value ? of_feature[i]->kept : UINT8_MAX;
                forest->masks[next].of_tree[of_feature[i]->tree] &= kept;
            }
        }
    }
    forest->feature[forest->features++] = feature;
    return next + 1;
}

bool tapsig_forest_init(tapsig_forest *forest, const tapsig_trees *trees)
{
    tapsig_reading reading = {.forest = forest, .fits = true};
    uint32_t next = 0;
    memset(forest, 0, sizeof *forest);
    for (const uint8_t *tree = trees->nodes; tree < trees->nodes + trees->size; tree += 1 + tree[0]) {
        reading.fits &= forest->trees < TAPSIG_FOREST_TREES;
        reading.leaves = 0;
        if (reading.fits) {
            read_node(&reading, tree + 1);
            forest->trees++;
        }
    }
    if (!reading.fits || reading.size + TAPSIG_FEATURES > TAPSIG_FOREST_MASKS) {
        forest->trees = 0;
        return false;
    }
    for (uint8_t feature = 0; feature < TAPSIG_FEATURES; feature++) {
        next = fill_masks(&reading, feature, next);
    }
    for (uint32_t mask = 1; mask < 256; mask++) {
        forest->lowest_bit[mask] = (uint8_t)(mask & 1 ? 0 : 1 + forest->lowest_bit[mask >> 1]);
    }
    return true;
}

int16_t tapsig_forest_add(const tapsig_forest *forest, const uint8_t *row)
{
    tapsig_masks left;
    int32_t score = 0;
    memset(&left, UINT8_MAX, sizeof left);
    for (uint32_t i = 0; i < forest->features; i++) {
        const tapsig_masks *masks = &forest->masks[forest->row[i][row[forest->feature[i]]]];
        for (uint32_t word = 0; word < TAPSIG_FOREST_TREES / 8; word++) {
            left.words[word] &= masks->words[word];
        }
    }
    for (uint32_t tree = 0; tree < forest->trees; tree++) {
        score += forest->leaves[tree][forest->lowest_bit[left.of_tree[tree]]];
    }
    return (int16_t)score;
}
