/* A fixed threshold and a dead time. */
typedef struct {
    int32_t mean; /* of the counts, Q16 */
    uint32_t wait;
    bool started;
} tapsig_core;
