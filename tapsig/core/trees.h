/* A sum of small decision trees over features of one byte, packed into bytes.
 *
 *   inner node: feature, threshold, size of the left part in bytes; left where row[feature] <= threshold. The left part
 *               follows at once, the right part after it.
 *   leaf:       255, value (signed)
 *
 * A tree begins with its own size in bytes, this one not counted; trees follow one another. The score is the base plus the leaves' values, in 1/64 nat of log-odds.
 */
#ifndef TAPSIG_TREES_H
#define TAPSIG_TREES_H

#include <stdint.h>

#ifdef __AVR__
#include <avr/pgmspace.h>
#define TAPSIG_TABLE PROGMEM
#define TAPSIG_READ(byte) pgm_read_byte(byte)
#else
#define TAPSIG_TABLE
#define TAPSIG_READ(byte) (*(byte))
#endif

#define TAPSIG_LEAF 255

typedef struct {
    const uint8_t *nodes;
    uint16_t size; /* bytes */
    int16_t base;
} tapsig_trees;

/* Add the values of trees from byte *position on, until `most` trees are done or the end is reached. */
int16_t tapsig_trees_add(const tapsig_trees *trees, const uint8_t *row, uint16_t *position, uint8_t most);

#endif
