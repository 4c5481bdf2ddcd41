"""Everything that speaks MQTT. No other package imports aiomqtt or paho; nothing here knows gates or collectors."""
