"""Press-rig data acquisition and analysis: from bytes on a serial port to numbers to design from."""

__version__ = "0.1.0"
