/* ---- the gate's trees: where row[feature] <= threshold the next node follows, else the one `right` nodes on; ----
   ---- a leaf has feature 255 and adds its threshold ---- */

typedef struct {
    int16_t threshold;
    uint8_t feature;
    uint8_t right;
} tree_node;
