"""Ending an MQTT client so that nothing of it is left for the garbage collector to complain of."""

from paho.mqtt.client import Client


def hang_up(client: Client) -> None:
    """Goodbye, the thread ended, and the pair of sockets closed by which paho wakes it."""
    client.disconnect()
    client.loop_stop()
    client.reinitialise()
