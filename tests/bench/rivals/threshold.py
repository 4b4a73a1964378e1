"""The threshold job as a short script: two samples in a row of one district at or above 3 A, and its power is cut.

    threshold.py PORT ROOT
"""

import json
import socket
import sys

import paho.mqtt.client as mqtt

LIMIT = 3.0
port, root = int(sys.argv[1]), sys.argv[2]
above = {}


def on_message(client, _userdata, message):
    value = json.loads(message.payload)["v"]
    topic = message.topic
    if value < LIMIT:
        above[topic] = 0
        return
    above[topic] = above.get(topic, 0) + 1
    if above[topic] == 2:
        _, node, _, kind, name, _ = topic.split("/")
        order = json.dumps({"op": "cut", "cause": "short-circuit"})
        client.publish(f"{root}/{node}/order/{kind}/{name}/power", order, qos=1)


def on_connect(client, _userdata, _flags, _reason, _properties):
    client.subscribe(f"{root}/+/reading/#")
    client.publish(f"{root}/ready", "ready", qos=1, retain=True)


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
client.on_connect = on_connect
client.on_message = on_message
client.on_socket_open = lambda _client, _userdata, it: it.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
client.connect("127.0.0.1", port)
client.loop_forever()
