/* ---- integer arithmetic: right shifts round to the nearest, halves upwards; nothing wraps ---- */

static int64_t floor_shift(int64_t value, uint8_t bits)
{
    /* C leaves the right shift of a negative number to the compiler; this is the same everywhere */
    return value < 0 ? ~(~value >> bits) : value >> bits;
}

static int64_t shift_down(int64_t value, uint8_t bits)
{
    return bits == 0 ? value : floor_shift(value + ((int64_t)1 << (bits - 1)), bits);
}
