/* What one sample led to. A tap's onset lies onset_age samples before the sample just pushed. */
typedef struct {
    bool tap;
    uint16_t onset_age;
    uint8_t verdict; /* an enum tapsig_verdict; without a code always TAPSIG_NO_VERDICT */
} tapsig_event;

typedef struct {
    tapsig_core core;
#if TAPSIG_CODE_LENGTH > 0
    tapsig_entry entry;
    uint32_t now_ms;
    uint32_t phase;
    uint8_t since_advance;
#endif
} tapsig_detector;

#ifdef __cplusplus
extern "C" {
#endif

/* Once, before the first count. It forgets everything, wrong entries too. */
void tapsig_init(tapsig_detector *detector);

/* Push the converter's next count, 0 to TAPSIG_COUNT_MAX, exactly TAPSIG_FS times a second: every time
 * in here is counted in calls. */
tapsig_event tapsig_push(tapsig_detector *detector, uint16_t count);

/* An intermediate value, to compare with test vectors. */
int32_t tapsig_probe(const tapsig_detector *detector);

#ifdef __cplusplus
}
#endif
