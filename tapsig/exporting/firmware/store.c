#include "store.h"

#include <avr/eeprom.h>
#include <util/crc16.h>

#define RECORDS 32 /* divides 65536: a sequence number has its own place */
#define SIZE 5
#define TRIES RECORDS

static uint8_t record[SIZE];
static uint8_t at = SIZE + 1; /* the byte of it that is written next; SIZE: to be checked; then idle */
static uint8_t tries;
static uint16_t newest; /* sequence number */

static uint8_t *place_of(uint8_t sequence)
{
    return (uint8_t *)(uintptr_t)((sequence % RECORDS) * SIZE);
}

static uint16_t number_at(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] | (bytes[1] << 8));
}

static uint8_t check_of(const uint8_t *bytes)
{
    uint8_t check = 0x5A; /* so that cells of one value are no record */
    for (uint8_t i = 0; i < SIZE - 1; i++) {
        check = _crc8_ccitt_update(check, bytes[i]);
    }
    return check;
}

static bool read_record(uint8_t place, uint8_t *bytes)
{
    eeprom_read_block(bytes, place_of(place), SIZE);
    return check_of(bytes) == bytes[SIZE - 1] && bytes[0] % RECORDS == place;
}

uint16_t store_load(void)
{
    uint8_t bytes[SIZE];
    uint16_t failures = 0;
    bool found = false;
    for (uint8_t place = 0; place < RECORDS; place++) {
        if (read_record(place, bytes) && (!found || (int16_t)(number_at(bytes) - newest) > 0)) {
            found = true;
            newest = number_at(bytes);
            failures = number_at(bytes + 2);
        }
    }
    return failures;
}

static void begin(void)
{
    newest++;
    record[0] = (uint8_t)newest;
    record[1] = (uint8_t)(newest >> 8);
    record[SIZE - 1] = check_of(record);
    at = 0;
}

void store_put(uint16_t failures)
{
    record[2] = (uint8_t)failures;
    record[3] = (uint8_t)(failures >> 8);
    tries = TRIES;
    begin();
}

void store_step(void)
{
    uint8_t bytes[SIZE];
    if (store_is_idle() || !eeprom_is_ready()) {
        return;
    }
    if (at < SIZE) {
        eeprom_update_byte(place_of((uint8_t)newest) + at, record[at]);
        at++;
    } else {
        const bool good = read_record((uint8_t)(newest % RECORDS), bytes) && number_at(bytes) == newest;
        at = SIZE + 1;
        if (!good && --tries > 0) {
            begin();
        }
    }
}

bool store_is_idle(void)
{
    return at > SIZE;
}
