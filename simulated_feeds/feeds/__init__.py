"""Ways to send a pot: MQTT, a serial line or pseudo-terminal, Modbus RTU, a card's CSV."""
