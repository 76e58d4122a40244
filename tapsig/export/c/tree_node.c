/* ---- the gate's trees: row[feature] <= threshold goes left; a leaf has feature 255 and adds its value ---- */

typedef struct {
    uint8_t feature;
    int32_t threshold;
    uint16_t left;
    uint16_t right;
    int16_t value;
} tree_node;
