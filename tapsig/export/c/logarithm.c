/* ---- logarithm to base 2 in Q8, from a table of 64 entries ---- */

#define LOG_ZERO (-3072)

static uint8_t highest_bit(uint64_t value)
{
    uint8_t bit = 0;
    while (value > 1) {
        value >>= 1;
        bit++;
    }
    return bit;
}

static uint8_t mantissa(uint64_t value, uint8_t bit)
{
    return (uint8_t)((bit >= 6 ? value >> (bit - 6) : value << (6 - bit)) & 63);
}

static int16_t log2_q8(uint64_t value)
{
    if (value == 0) {
        return LOG_ZERO;
    }
    const uint8_t bit = highest_bit(value);
    return (int16_t)((bit << 8) + log_table[mantissa(value, bit)]);
}
