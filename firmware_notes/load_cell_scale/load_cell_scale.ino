// Load cell behind a 24-bit bridge converter with a two-wire interface (datasheet HX711, Avia Semiconductor;
// from memory): data low means ready, 25 clocks read one value and choose channel A, gain 128.
// Sends grams by the calibration below, and the raw count beside them, so that a run can be recalibrated.

#include <Arduino.h>
#include <wire_line.h>

const char BOARD[] = "scale-1";
const uint8_t DATA_PIN = 3;
const uint8_t CLOCK_PIN = 4;

// Calibration: the count with an empty pan, and counts per 100 g (see README.md). Fill in your own.
const int32_t EMPTY_COUNT = 0;
const int32_t COUNTS_PER_100_G = 42000;

const int32_t CALM_DECIGRAMS = 3;  // two readings this near are called settled
const uint32_t SILENT_MS = 1000;

WireLine line;
uint32_t sequence = 0;
uint32_t heard_ms = 0;
int32_t last_decigrams = 0;

void setup() {
  Serial.begin(115200);
  pinMode(DATA_PIN, INPUT);
  pinMode(CLOCK_PIN, OUTPUT);
  digitalWrite(CLOCK_PIN, LOW);
  line.begin_identity(BOARD, "1");
  line.channel_name("scale");
  line.channel_name("count");
  Serial.print(line.end());
  heard_ms = millis();
}

int32_t read_count() {
  uint32_t word = 0;
  noInterrupts();  // a clock held high for 60 us would put the converter to sleep
  for (uint8_t k = 0; k < 25; k++) {
    digitalWrite(CLOCK_PIN, HIGH);
    delayMicroseconds(1);
    if (k < 24) word = (word << 1) | (digitalRead(DATA_PIN) == HIGH ? 1u : 0u);
    digitalWrite(CLOCK_PIN, LOW);
    delayMicroseconds(1);
  }
  interrupts();
  return (word & 0x800000UL) ? (int32_t)word - 16777216L : (int32_t)word;
}

void loop() {
  uint32_t now_ms = millis();
  if (digitalRead(DATA_PIN) == HIGH) {
    if (now_ms - heard_ms < SILENT_MS) return;
    heard_ms = now_ms;
    line.begin(sequence++, now_ms);
    line.none("scale", WireLine::FAULT, "g");
    Serial.print(line.end());
    return;
  }
  heard_ms = now_ms;
  int32_t count = read_count();
  line.begin(sequence++, now_ms);
  if (count == 0x7FFFFFL || count == -0x800000L) {
    line.none("scale", WireLine::OVERLOAD, "g");
  } else {
    int64_t scaled = (int64_t)(count - EMPTY_COUNT) * 1000;
    int64_t half = COUNTS_PER_100_G / 2;
    int32_t decigrams = (int32_t)((scaled + (scaled < 0 ? -half : half)) / COUNTS_PER_100_G);
    int32_t moved = decigrams - last_decigrams;
    last_decigrams = decigrams;
    line.number("scale", decigrams, 1, "g", -CALM_DECIGRAMS <= moved && moved <= CALM_DECIGRAMS);
  }
  line.number("count", count, 0, "");
  Serial.print(line.end());
}
