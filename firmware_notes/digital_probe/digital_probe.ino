// One one-wire digital probe on its own data line (datasheet DS18B20, Maxim 19-7487), read at 10 bits:
// a quarter of a degree every 188 ms. The bus is driven here, no library needed; 4.7 kilohm pull-up.
// The probe is slow in its steel sleeve: measure its lag before you trust a shake to it.

#include <Arduino.h>
#include <wire_line.h>

const char BOARD[] = "digital-probe-1";
const uint8_t DATA_PIN = 2;
const uint32_t CONVERSION_MS = 200;

WireLine line;
uint32_t sequence = 0;
uint32_t started_ms = 0;

void pull(bool low) {
  if (low) {
    digitalWrite(DATA_PIN, LOW);
    pinMode(DATA_PIN, OUTPUT);
  } else {
    pinMode(DATA_PIN, INPUT);
  }
}

bool reset_bus() {
  pull(true);
  delayMicroseconds(480);
  noInterrupts();
  pull(false);
  delayMicroseconds(70);
  bool present = digitalRead(DATA_PIN) == LOW;
  interrupts();
  delayMicroseconds(410);
  return present;
}

void write_byte(uint8_t value) {
  for (uint8_t k = 0; k < 8; k++, value >>= 1) {
    noInterrupts();
    pull(true);
    delayMicroseconds((value & 1) ? 6 : 60);
    pull(false);
    interrupts();
    delayMicroseconds((value & 1) ? 64 : 10);
  }
}

uint8_t read_byte() {
  uint8_t value = 0;
  for (uint8_t k = 0; k < 8; k++) {
    noInterrupts();
    pull(true);
    delayMicroseconds(3);
    pull(false);
    delayMicroseconds(9);
    if (digitalRead(DATA_PIN) == HIGH) value |= (uint8_t)(1u << k);
    interrupts();
    delayMicroseconds(55);
  }
  return value;
}

uint8_t crc8(const uint8_t *bytes, uint8_t count) {  // x^8 + x^5 + x^4 + 1, lowest bit first
  uint8_t check = 0;
  while (count--) {
    check ^= *bytes++;
    for (uint8_t k = 0; k < 8; k++) check = (check & 1) ? (uint8_t)((check >> 1) ^ 0x8C) : (uint8_t)(check >> 1);
  }
  return check;
}

void start_conversion() {
  if (reset_bus()) {
    write_byte(0xCC);  // the only device on the line
    write_byte(0x44);
  }
  started_ms = millis();
}

bool read_sixteenths(int16_t *sixteenths) {
  uint8_t pad[9];
  if (!reset_bus()) return false;
  write_byte(0xCC);
  write_byte(0xBE);
  uint8_t any = 0;
  for (uint8_t k = 0; k < 9; k++) any |= pad[k] = read_byte();
  if (!any || crc8(pad, 8) != pad[8]) return false;
  *sixteenths = (int16_t)((uint16_t)pad[1] << 8 | pad[0]);
  return *sixteenths != 0x0550 || pad[6] != 0x0C;  // 85 degrees as at power-up is no measurement
}

void setup() {
  Serial.begin(115200);
  pull(false);
  if (reset_bus()) {
    write_byte(0xCC);
    write_byte(0x4E);
    write_byte(0);
    write_byte(0);
    write_byte(0x3F);  // 10 bits
  }
  line.begin_identity(BOARD, "1");
  line.channel_name("probe");
  Serial.print(line.end());
  start_conversion();
}

void loop() {
  if (millis() - started_ms < CONVERSION_MS) return;
  uint32_t tick_ms = started_ms + CONVERSION_MS / 2;  // the middle of the conversion
  int16_t sixteenths = 0;
  bool good = read_sixteenths(&sixteenths);
  start_conversion();
  line.begin(sequence++, tick_ms);
  if (good)
    line.number("probe", (int32_t)sixteenths * 625, 4, "C");
  else
    line.none("probe", WireLine::FAULT, "C");
  Serial.print(line.end());
}
