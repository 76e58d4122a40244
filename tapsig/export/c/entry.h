/* Taps to digits to a verdict. tapsig_push drives this machine by its own count of samples; its times are whole
 * milliseconds in 32 bits that may wrap. */

enum tapsig_verdict { TAPSIG_NO_VERDICT, TAPSIG_ACCEPTED, TAPSIG_WRONG, TAPSIG_VOID };

typedef struct {
    uint8_t state;
    uint8_t wake_count;
    uint16_t failures;
    uint16_t digit_count;
    uint16_t digits[TAPSIG_CODE_LENGTH];
    uint32_t last_ms;
    uint32_t until_ms;
    uint32_t rhythm_count;
    uint64_t rhythm_sum_ms;
} tapsig_entry;
