/* A logger on the device's board: every sample, in frames over the serial line. No detector, no code, no sleep.
 *
 *     samples frame   0xA5, 1, number of its first sample (4 bytes), 32 samples (2 bytes each), check (2 bytes)
 *     header frame    0xA5, 2, number of the next sample (4 bytes), rate in mHz (4 bytes), bits of the converter (1),
 *                     samples a frame (1), full scale in mV (2 bytes), check (2 bytes); at first, then every 64 frames
 *
 * All numbers have their low byte first. The check is a CRC of 16 bits, polynomial 0x1021, from 0, over all bytes between
 * the first and itself. A frame that finds the serial queue full is left out as a whole, and so is one in whose time the
 * main loop lost a count: the numbers of the next one show how many are missing.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <util/crc16.h>

#include "board.h"
#include "rate.h"
#include "sampler.h"
#include "serial.h"

#define SYNC 0xA5
#define SAMPLES 1
#define HEADER 2
#define A_FRAME 32
#define HEADER_EVERY 64
#define HEAD 6
#define CHECK 2

_Static_assert(SERIAL_MEETS(LOGGER_BAUD), "this clock misses LOGGER_BAUD by over 2.5 %; choose another in board.h");
_Static_assert(RATE_HZ * (HEAD + 2 * A_FRAME + CHECK + 0.25) * 10 / A_FRAME <= LOGGER_BAUD,
               "the serial line is too slow for this rate; a sample takes 22.6 bits");

static uint8_t frame[HEAD + 2 * A_FRAME + CHECK];

static uint8_t *put(uint8_t *at, uint32_t value, uint8_t bytes)
{
    for (; bytes > 0; bytes--) {
        *at++ = (uint8_t)value;
        value >>= 8;
    }
    return at;
}

static void send(uint8_t kind, uint32_t number, uint8_t *end)
{
    uint16_t check = 0;
    frame[0] = SYNC;
    frame[1] = kind;
    put(frame + 2, number, 4);
    for (const uint8_t *at = frame + 1; at < end; at++) {
        check = _crc_xmodem_update(check, *at);
    }
    end = put(end, check, CHECK);
    serial_put(frame, (uint8_t)(end - frame)); /* all of it or nothing; the next number shows which */
}

static void send_header(uint32_t number)
{
    uint8_t *end = put(frame + HEAD, (uint32_t)(TIMER_RATE_HZ * 1000 + 0.5), 4);
    end = put(end, 10, 1);
    end = put(end, A_FRAME, 1);
    end = put(end, LOGGER_FULL_SCALE_MV, 2);
    send(HEADER, number, end);
}

int main(void)
{
    uint32_t number = 0; /* of the frame's first sample */
    uint8_t fill = 0;
    uint8_t frames = 0;
    board_start();
    wdt_enable(WDTO_1S);
    serial_start(SERIAL_DIVIDER(LOGGER_BAUD));
    sampler_start();
    sei();
    send_header(0);
    for (;;) {
        uint16_t count;
        if (!sampler_take(&count)) {
            sampler_wait();
            continue;
        }
        wdt_reset();
        put(frame + HEAD + 2 * fill, count, 2);
        fill++;
        const uint16_t lost = sampler_count_lost();
        if (lost > 0) {
            number += fill + lost;
            fill = 0;
        } else if (fill == A_FRAME) {
            send(SAMPLES, number, frame + HEAD + 2 * A_FRAME);
            number += A_FRAME;
            fill = 0;
            if (++frames == HEADER_EVERY) {
                frames = 0;
                send_header(number);
            }
        }
    }
}
