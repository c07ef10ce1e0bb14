"""The outside world: MQTT, tariffs, weather, plant, messages to people. Thin edges."""
