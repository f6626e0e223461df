"""What is plugged in: serial ports, probes that the system reads, listening, how each is doing, and simulated ones."""
