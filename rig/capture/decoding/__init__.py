"""Bytes of a port become readings: lines, wire format, declared dialects and sensors, one clock for all boards."""
