"""Messages to readings: pure, state in and state out, whatever bytes arrive."""

from dewpond.adapters.readings.decoder import Decoder, DecoderState, Reading
from dewpond.adapters.readings.mapping import MappingRefused, SensorMapping, parse_mapping
from dewpond.adapters.readings.mapping_keys import KeyProblem

__all__ = ["Decoder", "DecoderState", "KeyProblem", "MappingRefused", "Reading", "SensorMapping", "parse_mapping"]
