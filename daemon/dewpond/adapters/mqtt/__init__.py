"""The MQTT link: messages in as events, states out as retained topics."""

from dewpond.adapters.mqtt.bus import MqttBus, NoBus
from dewpond.adapters.mqtt.topics import Topics

__all__ = ["MqttBus", "NoBus", "Topics"]
