/* Any counts, any numbers in the configs: the core neither leaves its arrays nor overflows, and whole pieces of any
 * lengths give what single counts give. The first bytes of an input choose the numbers, the others are counts.
 *
 *     cc -std=c99 -O1 -g -fsanitize=address,undefined -DMAIN fuzz.c ../../tapsig/core/?*.c -o fuzz && ./fuzz 2000
 *     clang -O1 -g -fsanitize=fuzzer,address,undefined fuzz.c ../../tapsig/core/?*.c -o fuzz
 *     ./fuzz -len_control=0 -max_len=8192
 */
#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "../../tapsig/core/entry.h"
#include "../../tapsig/core/host.h"

#define HEAD 32
#define MOST 4096
#define CHECK(fact) ((fact) ? (void)0 : (fprintf(stderr, "%s:%d: %s\n", __FILE__, __LINE__, #fact), abort()))

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static uint32_t random_state;
static unsigned long candidates, plain_taps, verdicts;

static uint32_t next_random(void)
{
    return random_state = random_state * UINT32_C(1664525) + UINT32_C(1013904223);
}

/* A rate as tapsig.core.rate makes them: below 2 kHz interpolated, above 16 kHz in groups. */
static tapsig_rate make_rate(double fs, uint8_t bits)
{
    tapsig_rate rate;
    memset(&rate, 0, sizeof rate);
    rate.group = (uint8_t)(fs > 16000.0 ? (fs + 15999.0) / 16000.0 : 1);
    const double per_block = fs / rate.group / 1000.0;
    rate.interpolated = fs < 2000.0;
    rate.short_fill = rate.interpolated ? 1 : (uint8_t)(per_block + 1e-9);
    for (int i = 0; i < 2; i++) {
        const int fill = rate.short_fill + i;
        rate.reciprocal_q15[i] = (uint16_t)(fill == 1 ? 32767 : 32768.0 / fill + 0.5);
        rate.step_offset[i] = (uint8_t)(rate.interpolated ? 0 : 8 * (fill >= 2) + 4 * (fill >= 3));
    }
    rate.step_q24 = (uint32_t)(16777216.0 / per_block + 0.5);
    rate.per_block_q14 = (uint16_t)(rate.interpolated && per_block * 16384.0 < 65535.0 ? per_block * 16384.0 + 0.5 : 0);
    rate.per_block_q8 = (uint16_t)(fs / 1000.0 * 256.0 + 0.5);
    rate.count_shift = (uint8_t)(16 - bits);
    return rate;
}

/* A tree that points into what follows it in the row of features, and only there; returns the end of what hangs there. */
static uint8_t *make_node(uint8_t *node, uint32_t leaves)
{
    if (leaves == 1) {
        node[0] = TAPSIG_LEAF;
        node[1] = (uint8_t)(next_random() >> 16);
        return node + 2;
    }
    const uint32_t on_left = 1 + (next_random() >> 8) % (leaves - 1);
    node[0] = (uint8_t)(next_random() >> 8) % TAPSIG_FEATURES;
    node[1] = (uint8_t)(next_random() >> 16);
    uint8_t *right = make_node(node + 3, on_left);
    node[2] = (uint8_t)(right - node - 3);
    return make_node(right, leaves - on_left);
}

static uint16_t make_trees(uint8_t *nodes, uint8_t seed)
{
    uint8_t *next = nodes;
    random_state = seed;
    const uint32_t leaves = 1 + seed % 10; /* a forest has room for eight */
    for (int tree = 0; tree < 20; tree++) {
        uint8_t *end = make_node(next + 1, leaves);
        *next = (uint8_t)(end - next - 1);
        next = end;
    }
    return (uint16_t)(next - nodes);
}

/* Volts of counts, anywhere within a count and beyond the ends; taken in pieces, they give what the counts give. */
static void check_volts(tapsig_tap *tap, const tapsig_tap_config *config, const tapsig_forest *forest, uint8_t bits,
                        const uint16_t *counts, uint32_t size, const tapsig_judged *expected, uint32_t found)
{
    static double volts[MOST];
    static tapsig_judged judged[MOST];
    const tapsig_scale scale = {-1.5, (1 << bits) / 4.0, (uint16_t)((1 << bits) - 1)};
    for (uint32_t i = 0; i < size; i++) {
        const double within = (next_random() >> 8) % 1000 / 1001.0 - 0.499;
        const double beyond = next_random() % 64 ? 0.0 : next_random() % 2 ? 3.0 : 1e300;
        volts[i] = scale.low + (counts[i] + within) / scale.per_volt;
        volts[i] += counts[i] == scale.highest ? beyond : counts[i] == 0 ? -beyond : 0.0;
    }
    uint32_t together = 0, added;
    for (uint32_t start = 0; start < size;) {
        const uint32_t left = size - start;
        const uint32_t part = 1 + (next_random() >> 8) % (left < 3000 ? left : 3000);
        CHECK(tapsig_tap_run_volts(tap, config, forest, &scale, volts + start, part, judged + together, &added) == part);
        for (uint32_t i = 0; i < added; i++) {
            judged[together + i].decided += start;
            CHECK(judged[together + i].decided == expected[together + i].decided);
            CHECK(judged[together + i].candidate.score == expected[together + i].candidate.score);
        }
        together += added;
        start += part;
    }
    CHECK(together == found);
    const uint32_t bad = next_random() % size;
    tapsig_tap copy = *tap;
    volts[bad] = next_random() % 2 ? NAN : INFINITY;
    CHECK(tapsig_tap_run_volts(&copy, config, forest, &scale, volts, size, judged, &added) == bad);
}

/* All but how far a candidate is judged: a forest is through with the trees before single stages are. */
static int are_equal(const tapsig_tap *one, const tapsig_tap *other)
{
    return memcmp(&one->blocks, &other->blocks, sizeof one->blocks) == 0
        && memcmp(&one->levels, &other->levels, sizeof one->levels) == 0 && one->stage == other->stage
        && one->pending_count == other->pending_count && one->apart == other->apart && one->busy_q8 == other->busy_q8;
}

static void check_tap(const uint8_t *head, const tapsig_rate *rate, uint8_t bits, const uint16_t *counts, uint32_t size)
{
    static uint8_t nodes[20 * 48];
    static tapsig_forest forest, none;
    static tapsig_judged whole[MOST], parts[MOST];
    static tapsig_tap one, other, single, in_volts;
    tapsig_tap_config config;
    memset(&config, 0, sizeof config);
    memset(parts, 0, sizeof parts);
    config.rate = *rate;
    config.trees.nodes = nodes;
    config.trees.size = make_trees(nodes, head[4]);
    config.trees_a_stage = 5;
    CHECK(tapsig_forest_init(&forest, &config.trees) == (1 + head[4] % 10 <= TAPSIG_FOREST_LEAVES));
    config.least_score = (int16_t)(head[5] * 4 - 512);
    config.least_level = head[6];
    config.dead_ms = (uint16_t)(head[7] * 40);
    config.order = (uint8_t)(head[8] % 4 ? TAPSIG_ORDER : 1 + head[8] / 4 % TAPSIG_ORDER);
    tapsig_tap_init(&one);
    if (!rate->interpolated) { /* as after a long time */
        one.blocks.phase_q24 = head[10] % 4 ? 0 : rate->step_q24 - 1 - head[10] / 4 % 4;
        for (uint8_t i = 0; i < TAPSIG_ORDER && head[11] % 4 < 2; i++) { /* any weights, or small ones and one at its limit */
            const int32_t weight = (int32_t)(next_random() >> 8) - (INT32_C(1) << 23);
            one.levels.predictor.weights_q20[i] = head[11] % 4 == 0 ? weight : weight / 64;
        }
        if (head[11] % 4 == 1) {
            one.levels.predictor.weights_q20[head[11] / 4 % TAPSIG_ORDER] =
                head[11] & 64 ? TAPSIG_WEIGHT_LIMIT - 1 - head[11] : -TAPSIG_WEIGHT_LIMIT + head[11];
        }
    }
    other = single = in_volts = one;
    const uint32_t found = tapsig_tap_run(&one, &config, &forest, counts, size, whole);
    uint32_t together = 0;
    for (uint32_t start = 0; start < size;) {
        const uint32_t left = size - start;
        const uint32_t part = 1 + (next_random() >> 8) % (left < 600 ? left : 600);
        const uint32_t added = tapsig_tap_run(&other, &config, &none, counts + start, part, parts + together);
        for (uint32_t i = 0; i < added; i++) {
            parts[together + i].decided += start;
        }
        together += added;
        start += part;
    }
    CHECK(found == together && are_equal(&one, &other));
    uint32_t next = 0;
    for (uint32_t i = 0; i < size; i++) {
        const uint8_t verdict = tapsig_tap_push(&single, &config, counts[i]);
        if (verdict != TAPSIG_NOTHING) {
            CHECK(next < found && whole[next].decided == i && whole[next].verdict == verdict);
            CHECK(parts[next].decided == i && parts[next].verdict == verdict);
            CHECK(whole[next].candidate.score == single.candidate.score);
            CHECK(memcmp(whole[next].candidate.row, single.candidate.row, TAPSIG_FEATURES) == 0);
            next++;
        }
    }
    CHECK(next == found);
    check_volts(&in_volts, &config, &forest, bits, counts, size, whole, found);
    CHECK(are_equal(&one, &in_volts));
    candidates += found;
}

static void check_plain(const uint8_t *head, double fs, uint8_t bits, const uint16_t *counts, uint32_t size)
{
    static tapsig_plain_tap taps[2 * MOST];
    tapsig_fixed_threshold_config fixed;
    tapsig_ring_following_config ring;
    memset(&fixed, 0, sizeof fixed);
    memset(&ring, 0, sizeof ring);
    fixed.dead_samples = 1 + head[8];
    fixed.bias.share_q15 = ring.high_pass.share_q15 = (uint16_t)(16384 + head[9] * 64);
    fixed.bias.shift = ring.high_pass.shift = head[10] % 25;
    fixed.threshold = (uint16_t)(head[11] << 8);
    fixed.group = (uint8_t)(1 + head[12] % 200);
    fixed.reciprocal_q15 = (uint16_t)(fixed.group == 1 ? 32767 : 32768.0 / fixed.group + 0.5);
    fixed.count_shift = ring.count_shift = (uint8_t)(16 - bits);
    ring.step_q24 = (uint32_t)(16777216.0 * 1000.0 / fs);
    ring.threshold = (int32_t)(head[13] * UINT32_C(65536)) - 1;
    ring.over_background = head[14] * INT32_C(40000);
    ring.over_ring = head[15] * INT32_C(40000);
    ring.hysteresis = head[16] * INT32_C(40000);
    ring.least_decay = 1 + head[17];
    ring.highest_decay = ring.decay = (UINT32_C(1) << (head[18] % 23)) + head[17] % 2;
    ring.highest_decay = ring.decay = ring.decay > UINT32_C(1) << 22 ? UINT32_C(1) << 22 : ring.decay;
    ring.least_decay = ring.least_decay > ring.decay ? ring.decay : ring.least_decay;
    ring.decay_fraction_q8 = (uint16_t)(head[19] * 2);
    ring.dead_blocks = (uint16_t)(1 + head[20]);
    ring.learns = head[21] & 1;
    tapsig_fixed_threshold one, other;
    tapsig_ring_following following, single;
    tapsig_fixed_threshold_init(&one);
    tapsig_fixed_threshold_init(&other);
    tapsig_ring_following_init(&following);
    tapsig_ring_following_init(&single);
    const uint32_t found = tapsig_fixed_threshold_run(&one, &fixed, counts, size, taps);
    const uint32_t rung = tapsig_ring_following_run(&following, &ring, counts, size, taps + MOST);
    uint32_t next = 0, later = 0;
    for (uint32_t i = 0; i < size; i++) {
        uint16_t age = 0;
        if (tapsig_fixed_threshold_push(&other, &fixed, counts[i])) {
            CHECK(next < found && taps[next].decided == i && taps[next].over > fixed.threshold);
            next++;
        }
        if (tapsig_ring_following_push(&single, &ring, counts[i], &age)) {
            CHECK(later < rung && taps[MOST + later].decided == i && taps[MOST + later].onset_age == age && age <= i);
            later++;
        }
    }
    CHECK(next == found && later == rung);
    plain_taps += found + rung;
}

/* However time is divided, the same taps give the same verdicts. */
static void check_entry(const uint8_t *head, const uint8_t *gaps, uint32_t size)
{
    const uint8_t code[2] = {(uint8_t)(1 + head[22] % 3), (uint8_t)(1 + head[23] % 3)};
    const tapsig_entry_config config = {
        .code = code, .code_length = 2, .digit_max = 9, .wake_taps = head[24] % 4, .wait_factor = (uint8_t)(1 + head[25]),
        .free_failures = head[26] % 4, .failure_limit = head[27], .tolerance_percent = (uint16_t)(head[28] < 110 ? 0 : head[28]),
        .digit_pause_ms = 1000, .least_pause_ms = 400, .longest_pause_ms = 2000, .silence_ms = 3000, .awake_ms = 8000,
        .wait_ms = head[29] * UINT32_C(100), .wait_limit_ms = head[29] * UINT32_C(100) + head[30] * UINT32_C(300000)};
    tapsig_entry one, other;
    uint8_t verdict = TAPSIG_NO_VERDICT;
    uint32_t now = head[31] * UINT32_C(0x01010101); /* anywhere on the clock, so that it wraps */
    tapsig_entry_init(&one);
    tapsig_entry_init(&other);
    for (uint32_t i = 0; i < size; i++) {
        const uint32_t then = now + (gaps[i] < 200 ? gaps[i] * UINT32_C(16) : gaps[i] * UINT32_C(20000));
        while (then - now > 700) {
            now += 1 + next_random() % 700;
            const uint8_t early = tapsig_entry_advance(&other, &config, now);
            CHECK(early == TAPSIG_NO_VERDICT || verdict == TAPSIG_NO_VERDICT);
            verdict = early != TAPSIG_NO_VERDICT ? early : verdict;
            if (then - now > UINT32_C(100000)) {
                now = then - 1000;
            }
        }
        now = then;
        const uint8_t last = tapsig_entry_push(&other, &config, now);
        CHECK(last == TAPSIG_NO_VERDICT || verdict == TAPSIG_NO_VERDICT);
        verdict = last != TAPSIG_NO_VERDICT ? last : verdict;
        CHECK(tapsig_entry_push(&one, &config, now) == verdict);
        CHECK(one.state == other.state && one.failures == other.failures && one.digit_count == other.digit_count);
        CHECK(tapsig_entry_pause_ms(&one, &config) >= 400 && tapsig_entry_pause_ms(&one, &config) <= 2000);
        verdicts += verdict != TAPSIG_NO_VERDICT;
        verdict = TAPSIG_NO_VERDICT;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static uint16_t counts[MOST];
    if (size < HEAD + 2) {
        return 0;
    }
    const uint8_t bits = (uint8_t)(8 + data[0] % 9);
    const double fs = data[12] % 8 == 0 ? 1000.0 * (1 + data[1] % 20)
                                        : 334.0 + (data[1] | (data[2] << 8)) * (data[3] & 1 ? 0.6 : 0.03);
    const uint8_t repeat = (uint8_t)(1 + data[3] % 16); /* so that long stretches are reached too */
    uint32_t filled = 0;
    for (size_t i = HEAD; i + 1 < size; i += 2) {
        const uint16_t count = (uint16_t)((data[i] | (data[i + 1] << 8)) >> (16 - bits));
        for (uint8_t j = 0; j < repeat && filled < MOST; j++) {
            counts[filled++] = j % 2 ? (uint16_t)(data[9] & 1 ? count ^ j : count >> 1) : count;
        }
    }
    random_state = data[0];
    const tapsig_rate rate = make_rate(fs, bits);
    check_tap(data, &rate, bits, counts, filled);
    check_plain(data, fs, bits, counts, filled);
    check_entry(data, data + HEAD, (uint32_t)(size - HEAD));
    return 0;
}

#ifdef MAIN
int main(int argc, char **argv)
{
    const int runs = argc > 1 ? atoi(argv[1]) : 2000;
    static uint8_t data[HEAD + 2 * MOST];
    for (int run = 0; run < runs; run++) {
        srand((unsigned)run);
        const size_t size = HEAD + 2 + (size_t)(rand() % (2 * MOST - 2));
        const int kind = rand() % 5; /* noise, small noise with strong or weak blows, squares, or noise that swells and falls */
        int height = 1 << rand() % 15;
        for (size_t i = 0; i < size; i++) {
            const int value = rand() >> 4;
            const int blow = (int)(i / 400) % 7 == 3 && i % 400 < 40;
            data[i] = (uint8_t)(i < HEAD || kind == 0 || blow ? value
                                : kind == 1 ? (i % 2 ? 128 : value % 3) : (int)(i / 64) % 2 * 255);
            if (kind == 3 && i >= HEAD) {
                data[i] = (uint8_t)(i % 2 ? (blow ? (run % 2 ? 170 : 110 + value % 36) : 128) : value % 16);
            }
            if (kind == 4 && i >= HEAD && i % 2) {
                const int count = 32768 + value % (2 * height) - height;
                data[i - 1] = (uint8_t)count;
                data[i] = (uint8_t)(count >> 8);
                const int next = rand() % 16 ? height : height * (6 + rand() % 8) / 9 + 1;
                height = next > 32000 ? 1 : next;
            }
        }
        LLVMFuzzerTestOneInput(data, size);
    }
    printf("%d inputs: %lu candidates, %lu plain taps, %lu entries\n", runs, candidates, plain_taps, verdicts);
    return 0;
}
#endif
