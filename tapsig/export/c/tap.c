/* ---- the candidate core ---- */

#define ORDER 32
#define AFTER 24
#define APART 10
#define SETTLING 100
#define KEPT 32
#define WINDOW 24
#define BANDS 4
#define SIX_DB 510
#define SIXTY_DB 5102
#define TENFOLD 850
#define FOURFOLD 512
#define RING_MASK (TAPSIG_RING - 1)
#define RECENT_MASK (TAPSIG_RECENT - 1)
#define ERROR_LIMIT 65535
#define SIGNAL_LIMIT 32767
#define WEIGHT_LIMIT (INT64_C(1) << 26)

static int64_t saturate(int64_t value, int64_t limit)
{
    return value > limit ? limit : value < -limit ? -limit : value;
}

static uint32_t highest_of(const uint32_t *ring, uint32_t first, uint32_t stop)
{
    uint32_t highest = 0;
    for (uint32_t i = first; i != stop; i++) {
        if (ring[i & RING_MASK] > highest) {
            highest = ring[i & RING_MASK];
        }
    }
    return highest;
}

static uint64_t total_of(const uint32_t *ring, uint32_t first, uint32_t stop)
{
    uint64_t total = 0;
    for (uint32_t i = first; i != stop; i++) {
        total += ring[i & RING_MASK];
    }
    return total;
}

static int16_t log_mean(const uint32_t *ring, uint32_t first, uint32_t stop)
{
    return (int16_t)(log2_q8(total_of(ring, first, stop)) - log2_q8(stop - first));
}

static uint32_t square(int16_t value)
{
    return (uint32_t)((int32_t)value * value);
}

static uint32_t find_peak(const uint32_t *raw, uint32_t trigger)
{
    uint32_t peak = trigger - 3;
    for (uint32_t i = trigger - 3; i != trigger + 13; i++) {
        if (raw[i & RING_MASK] > raw[peak & RING_MASK]) {
            peak = i;
        }
    }
    return peak;
}

static uint32_t find_onset(const uint32_t *raw, uint32_t trigger, uint32_t peak)
{
    const uint64_t highest = raw[peak & RING_MASK];
    const uint64_t before = (uint64_t)highest_of(raw, trigger - 50, trigger - 5) * 200;
    const uint64_t quarter = before < 25 * highest ? before : 25 * highest;
    const uint64_t mark = quarter > highest ? quarter : highest;
    uint32_t onset = peak;
    uint8_t gap = 0;
    for (uint32_t i = peak - 1; (int32_t)(i - trigger) > -10 && peak - i <= 14 && gap < 4; i--) {
        if ((uint64_t)raw[i & RING_MASK] * 100 >= mark) {
            onset = i;
            gap = 0;
        } else {
            gap++;
        }
    }
    return onset;
}

static void find_bands(const int16_t *signal, uint32_t first, uint64_t *powers)
{
    int32_t windowed[WINDOW];
    for (uint8_t i = 0; i < WINDOW; i++) {
        windowed[i] = (int32_t)shift_down((int32_t)signal[(first + i) & RING_MASK] * window_table[i], 14);
    }
    for (uint8_t j = 0; j < BANDS; j++) {
        powers[j] = 0;
    }
    for (uint8_t k = 1; k <= 12; k++) {
        int64_t real = 0;
        int64_t imaginary = 0;
        uint8_t angle = 0;
        for (uint8_t i = 0; i < WINDOW; i++) {
            real += (int64_t)windowed[i] * sine_table[angle >= 18 ? angle - 18 : angle + 6];
            imaginary += (int64_t)windowed[i] * sine_table[angle];
            angle = (uint8_t)(angle + k);
            if (angle >= WINDOW) {
                angle = (uint8_t)(angle - WINDOW);
            }
        }
        real = shift_down(real, 14);
        imaginary = shift_down(imaginary, 14);
        const uint64_t power = (uint64_t)(real * real + imaginary * imaginary);
        powers[band_of_bin[k - 1]] += k == 12 ? power >> 1 : power;
    }
}

static void fill_shape(int16_t *row, const tapsig_rings *rings, uint32_t trigger, uint32_t peak, uint32_t onset,
                       uint32_t stop)
{
    const uint32_t *raw = rings->raw;
    const int16_t highest = log2_q8(highest_of(rings->innovation, trigger - 2, trigger + 13));
    row[0] = (int16_t)(highest - log2_q8(highest_of(rings->innovation, trigger - 50, trigger - 5)));
    row[1] = (int16_t)(highest - log2_q8(highest_of(rings->innovation, trigger - 100, trigger - 8)));
    row[2] = (int16_t)(highest - log_mean(rings->innovation, trigger - 60, trigger - 6));
    const uint32_t sharp = raw[peak & RING_MASK];
    const int16_t after = log_mean(raw, onset, stop);
    row[3] = (int16_t)(log2_q8(sharp) - after);
    const int16_t first = log_mean(raw, onset, onset + 6);
    row[4] = (int16_t)(first - log_mean(raw, onset + 6, onset + 12));
    row[5] = (int16_t)(first - log_mean(raw, onset + 12, stop));
    row[6] = 0;
    for (uint32_t i = trigger - 2; i != stop; i++) {
        if ((uint64_t)raw[i & RING_MASK] * 10 > sharp) {
            row[6]++;
        }
    }
    row[7] = (int16_t)(peak - onset);
}

static void fill_bands(int16_t *row, const tapsig_rings *rings, uint32_t onset, uint32_t stop)
{
    uint64_t before[BANDS];
    uint64_t after[BANDS];
    uint64_t sum = 0;
    find_bands(rings->signal, onset - 2 - WINDOW, before);
    find_bands(rings->signal, stop - WINDOW - 2, after);
    for (uint8_t j = 0; j < BANDS; j++) {
        sum += after[j];
    }
    const int16_t total = log2_q8(sum);
    for (uint8_t j = 0; j < BANDS; j++) {
        row[j] = (int16_t)(log2_q8(after[j]) - total);
        row[BANDS + j] = (int16_t)(log2_q8(after[j] + TAPSIG_FLOOR) - log2_q8(before[j] + TAPSIG_FLOOR));
    }
}

/* logarithm of ten times the mean, and the floor */
static int16_t log_mean_tenfold(const uint32_t *ring, uint32_t first, uint32_t stop)
{
    const uint32_t count = stop - first;
    const uint64_t total = total_of(ring, first, stop) * 10 + (uint64_t)count * TAPSIG_FLOOR;
    return (int16_t)(log2_q8(total) - log2_q8(count));
}

static int16_t log_highest_tenfold(const uint32_t *ring, uint32_t first, uint32_t stop)
{
    return log2_q8((uint64_t)highest_of(ring, first, stop) * 10 + TAPSIG_FLOOR);
}

static void fill_fast(int16_t *row, const tapsig_rings *rings, int32_t quietest, uint32_t trigger, uint32_t onset,
                      uint32_t stop)
{
    const uint32_t *fast = rings->fast;
    uint32_t top = 0;
    for (uint32_t i = onset; i != stop; i++) {
        if (square(rings->signal[i & RING_MASK]) > top) {
            top = square(rings->signal[i & RING_MASK]);
        }
    }
    const int16_t highest = log_highest_tenfold(fast, trigger - 2, trigger + 13);
    row[0] = (int16_t)(highest - log2_q8((uint64_t)top * 10 + TAPSIG_FLOOR));
    row[1] = (int16_t)(highest - log_highest_tenfold(fast, trigger - 50, trigger - 5));
    row[2] = (int16_t)(highest - log_mean_tenfold(fast, trigger - 60, trigger - 6));
    row[3] = (int16_t)(highest - TENFOLD - shift_down(quietest, 8));
    int16_t first = 0;
    for (uint8_t j = 0; j < 3; j++) {
        const uint32_t begin = onset + 6U * j;
        const uint32_t end = j < 2 ? begin + 6 : stop;
        const int16_t power = log_mean_tenfold(fast, begin, end);
        if (j == 0) {
            first = power;
        } else {
            row[3 + j] = (int16_t)(first - power);
        }
        const int16_t turn = (int16_t)(log_mean_tenfold(rings->turn, begin, end) - power);
        row[6 + j] = (int16_t)(shift_down(turn < FOURFOLD ? turn : FOURFOLD, 1) + TAPSIG_OCTAVE);
    }
}

static void fill_context(int16_t *row, const tapsig_rings *rings, tapsig_memory *memory, uint32_t trigger)
{
    const int16_t level = log2_q8((uint64_t)highest_of(rings->innovation, trigger - 2, trigger + 13) + TAPSIG_FLOOR);
    uint32_t since = 8000;
    uint32_t since_loud = 8000;
    int16_t before = level;
    int16_t loudest = (int16_t)(level - SIXTY_DB);
    const uint8_t count = memory->seen < KEPT ? memory->seen : KEPT;
    row[0] = (int16_t)(level - shift_down(memory->usual[3], 8));
    row[1] = level;
    for (uint8_t j = 6; j < 10; j++) {
        row[j] = 0;
    }
    for (uint8_t j = 0; j < count; j++) {
        const uint8_t k = (uint8_t)((memory->seen - 1 - j) & (KEPT - 1));
        const uint32_t age = trigger - memory->block[k];
        const int16_t other = memory->level[k];
        const bool loud = other >= level - SIX_DB;
        if (j == 0) {
            since = age < 8000 ? age : 8000;
            before = other;
        }
        if (loud && age < since_loud) {
            since_loud = age;
        }
        if (age < 5000) {
            row[7]++;
            row[9] = (int16_t)(row[9] + loud);
            if (other > loudest) {
                loudest = other;
            }
        }
        if (age < 1000) {
            row[6]++;
            row[8] = (int16_t)(row[8] + loud);
        }
    }
    row[2] = log2_q8(since + 1);
    row[3] = log2_q8(since_loud + 1);
    row[4] = (int16_t)(level - before);
    row[5] = (int16_t)(level - loudest);
    row[10] = (int16_t)(level - shift_down(memory->usual[0], 8));
    row[11] = (int16_t)(level - shift_down(memory->usual[1], 8));
    row[12] = (int16_t)(level - shift_down(memory->usual[2], 8));
    memory->block[memory->seen & (KEPT - 1)] = trigger;
    memory->level[memory->seen & (KEPT - 1)] = level;
    memory->seen = memory->seen == 2 * KEPT - 1 ? KEPT : (uint8_t)(memory->seen + 1);
}

/* a sample's departure from the mean of `count` samples that sum to `total`, times `count` */
static uint32_t departure(const tapsig_core *core, uint32_t i, int32_t count, int32_t total)
{
    const int32_t value = core->recent[i & RECENT_MASK] * count - total;
    return (uint32_t)(value < 0 ? -value : value);
}

/* the sample that first departs by a tenth of the candidate's own peak */
static uint32_t refine_onset(const tapsig_core *core, uint32_t onset, uint32_t peak)
{
    const uint32_t begin = (onset - 1) * TAPSIG_SAMPLES_PER_BLOCK;
    const uint32_t quiet = (onset - 4) * TAPSIG_SAMPLES_PER_BLOCK;
    const int32_t count = 3 * TAPSIG_SAMPLES_PER_BLOCK;
    int32_t total = 0;
    uint32_t spread = 0;
    uint32_t highest = 0;
    for (uint32_t i = quiet; i != begin; i++) {
        total += core->recent[i & RECENT_MASK];
    }
    for (uint32_t i = quiet; i != begin; i++) {
        const uint32_t value = departure(core, i, count, total);
        spread = value > spread ? value : spread;
    }
    for (uint32_t i = begin; i != (peak + 1) * TAPSIG_SAMPLES_PER_BLOCK; i++) {
        const uint32_t value = departure(core, i, count, total);
        highest = value > highest ? value : highest;
    }
    const uint32_t mark = highest > 10 * spread ? highest : 10 * spread;
    for (uint32_t i = begin; i != (onset + 1) * TAPSIG_SAMPLES_PER_BLOCK; i++) {
        if (10 * departure(core, i, count, total) > mark) {
            return i;
        }
    }
    return onset * TAPSIG_SAMPLES_PER_BLOCK;
}

static int32_t predict(tapsig_core *core)
{
    int64_t total = 0;
    for (uint8_t i = 0; i < ORDER; i++) {
        const int64_t update = (int64_t)core->gain * core->history[(core->block - 2 - i) & 63];
        const int64_t weight = core->weights[i] + shift_down(update, (uint8_t)(core->gain_bit - 4));
        core->weights[i] = (int32_t)saturate(weight, WEIGHT_LIMIT);
        total += (int64_t)core->weights[i] * core->history[(core->block - 1 - i) & 63];
    }
    return (int32_t)saturate(shift_down(total, 20), ERROR_LIMIT);
}

static void follow_usual(tapsig_core *core)
{
    int32_t *usual = core->memory.usual;
    const int32_t innovation = log2_q8((uint64_t)core->longest + TAPSIG_FLOOR) * 256;
    const int32_t fast = log2_q8((uint64_t)core->fast_longest + TAPSIG_FLOOR) * 256;
    if (!core->usual_known) {
        core->usual_known = true;
        usual[0] = usual[1] = usual[2] = usual[3] = innovation;
        usual[4] = fast;
    }
    usual[0] += (int32_t)shift_down(innovation - usual[0], 4);
    usual[1] += (int32_t)shift_down(innovation - usual[1], 7);
    usual[2] = innovation > usual[2] - 1311 ? innovation : usual[2] - 1311;
    usual[3] = innovation < usual[3] + 262 ? innovation : usual[3] + 262;
    usual[4] = fast < usual[4] + 262 ? fast : usual[4] + 262;
    core->longest = 0;
    core->fast_longest = 0;
}

/* the smoothed variance within the block and mean squared step */
static void follow_fast(tapsig_core *core, int32_t change)
{
    const int64_t squares = shift_down((int64_t)core->squares * TAPSIG_RECIPROCAL_Q16, 16);
    const int64_t turns = shift_down((int64_t)core->turns * TAPSIG_RECIPROCAL_Q16, 16);
    const int64_t square_of_change = (int64_t)change * change;
    const int64_t spread = squares > square_of_change ? squares - square_of_change : 0;
    core->fast += shift_down(((spread << 8) - core->fast) * 205, 9);
    core->turn += shift_down(((turns << 8) - core->turn) * 205, 9);
    const uint8_t k = (uint8_t)(core->block & RING_MASK);
    core->rings.fast[k] = (uint32_t)(core->fast >> 8);
    core->rings.turn[k] = (uint32_t)(core->turn >> 8);
}

/* high-pass, prediction, and the powers that the rings keep */
static void follow_signal(tapsig_core *core, int32_t change)
{
    core->mean += change;
    const int32_t above = (int32_t)(core->mean * INT32_C(4096) - core->constant);
    const int16_t signal = (int16_t)saturate(shift_down(above, 12), SIGNAL_LIMIT);
    core->constant += (int32_t)shift_down(above, 3);
    const int32_t error = (int32_t)saturate(signal - predict(core), ERROR_LIMIT);
    const uint64_t divisor = UINT64_C(32) * TAPSIG_FLOOR + (uint64_t)core->power;
    core->gain_bit = highest_bit(divisor);
    const int64_t scaled = (int64_t)error * TAPSIG_STEP_Q16;
    core->gain = (int32_t)shift_down(scaled * reciprocal_table[mantissa(divisor, core->gain_bit)], 15);
    const int16_t old = core->history[(core->block - ORDER) & 63];
    core->power += (int64_t)square(signal) - (int64_t)square(old);
    core->history[core->block & 63] = signal;
    const uint32_t magnitude = (uint32_t)(error < 0 ? -error : error);
    const uint32_t raw = magnitude * magnitude;
    core->innovation += shift_down((((int64_t)raw << 8) - core->innovation) * 205, 9);
    const uint8_t k = (uint8_t)(core->block & RING_MASK);
    core->rings.signal[k] = signal;
    core->rings.raw[k] = raw;
    core->rings.innovation[k] = (uint32_t)(core->innovation >> 8);
}

static uint32_t higher(uint32_t one, uint32_t other)
{
    return one > other ? one : other;
}

/* of the 44 blocks before the four that were just completed */
static uint32_t highest_before(const uint32_t *maxima, uint32_t now)
{
    uint32_t highest = TAPSIG_FLOOR;
    for (uint8_t j = 1; j < 12; j++) {
        highest = higher(highest, maxima[(now - j) & 15]);
    }
    return highest;
}

static void follow_levels(tapsig_core *core, uint32_t innovation, uint32_t fast)
{
    core->highest = higher(innovation, core->highest);
    core->fast_highest = higher(fast, core->fast_highest);
    if ((core->block & 3) != 3) {
        return;
    }
    const uint32_t now = core->block >> 2;
    core->maxima[now & 15] = core->highest;
    core->fast_maxima[now & 15] = core->fast_highest;
    core->longest = higher(core->highest, core->longest);
    core->fast_longest = higher(core->fast_highest, core->fast_longest);
    core->highest = 0;
    core->fast_highest = 0;
    core->reference = highest_before(core->maxima, now);
    core->fast_reference = highest_before(core->fast_maxima, now);
    if ((core->block & 63) == 63) {
        follow_usual(core);
    }
}

/* the features of the oldest pending trigger; returns its onset sample */
static uint32_t decide(tapsig_core *core)
{
    const uint32_t trigger = core->pending[0];
    core->pending_count--;
    for (uint8_t j = 0; j < core->pending_count; j++) {
        core->pending[j] = core->pending[j + 1];
    }
    const uint32_t peak = find_peak(core->rings.raw, trigger);
    const uint32_t onset = find_onset(core->rings.raw, trigger, peak);
    const uint32_t stop = trigger + AFTER + 1;
    fill_shape(core->features, &core->rings, trigger, peak, onset, stop);
    fill_bands(core->features + TAPSIG_SHARES, &core->rings, onset, stop);
    fill_fast(core->features + TAPSIG_FAST_SHARE, &core->rings, core->memory.usual[4], trigger, onset, stop);
    fill_context(core->features + TAPSIG_OVER_NOISE, &core->rings, &core->memory, trigger);
    return refine_onset(core, onset, peak);
}

/* whether `power` exceeds so many times `reference`, and the quietest of late by 8 dB */
static bool rises(uint32_t power, uint32_t ratio_q8, uint32_t reference, int32_t quietest)
{
    return ((uint64_t)power << 8) > (uint64_t)ratio_q8 * reference
        && log2_q8((uint64_t)power + TAPSIG_FLOOR) - shift_down(quietest, 8) >= TAPSIG_FAINT;
}

/* Returns whether a candidate was decided; its onset is written to *onset. */
static bool run_core(tapsig_core *core, uint16_t count, uint32_t *onset)
{
    const int32_t value = (int32_t)((uint32_t)count << TAPSIG_COUNT_SHIFT);
    if (!core->started) {
        core->started = true;
        core->mean = value;
        core->constant = value * INT32_C(4096);
        core->previous = value;
    }
    core->recent[core->sample & RECENT_MASK] = (uint16_t)value;
    core->sample++;
    const int64_t offset = value - core->mean;
    const int64_t step = value - core->previous;
    core->sum += (int32_t)offset;
    core->squares += (uint64_t)(offset * offset);
    core->turns += (uint64_t)(step * step);
    core->previous = value;
    if (++core->fill < TAPSIG_SAMPLES_PER_BLOCK) {
        return false;
    }
    const int32_t change = (int32_t)shift_down((int64_t)core->sum * TAPSIG_RECIPROCAL_Q16, 16);
    follow_fast(core, change);
    follow_signal(core, change);
    core->fill = 0;
    core->sum = 0;
    core->squares = 0;
    core->turns = 0;
    const uint32_t innovation = core->rings.innovation[core->block & RING_MASK];
    const uint32_t fast = core->rings.fast[core->block & RING_MASK];
    follow_levels(core, innovation, fast);
    const bool decided = core->pending_count > 0 && core->block == core->pending[0] + AFTER;
    if (decided) {
        *onset = decide(core);
    }
    if (core->settling > 0) {
        core->settling--;
    } else if (core->apart > 0) {
        core->apart--;
    }
    if (core->settling == 0 && core->apart == 0
        && (rises(innovation, TAPSIG_TRIGGER_Q8, core->reference, core->memory.usual[3])
            || rises(fast, TAPSIG_FAST_Q8, core->fast_reference, core->memory.usual[4]))) {
        core->pending[core->pending_count++] = core->block;
        core->apart = APART;
    }
    core->block++;
    if (core->alive < 100000) {
        core->alive++;
    }
    return decided;
}
