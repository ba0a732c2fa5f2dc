"""MQTT: broker, topics, payloads, hub discovery, and other units."""
