/* A threshold that follows the ring-down; logarithms to base 2 of amplitude, Q16. */
typedef struct {
    int32_t mean; /* of the samples, Q12 */
    uint32_t peak; /* departure, Q4 */
    uint16_t peak_age;
    uint8_t fill;
    bool started;
    bool usual_known;
    bool armed;
    uint8_t frame_fill;
    uint16_t since; /* blocks since the last tap, at most 65535 */
    int32_t usual;
    int32_t mark;
    int32_t last_peak;
    int32_t rate;
    int32_t frame;
    int32_t frame_before;
} tapsig_core;
