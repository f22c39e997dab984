"""The connection to the broker, on paho-mqtt 1.6 or 2. One thread: nothing happens but inside `step`."""

import ssl
import time

import paho.mqtt.client as mqtt

from .outputs import Failed

KEEP_ALIVE = 30  # s
ANSWER = 15.0  # s for the broker to answer a connection; our choice
SLOWEST = 60.0  # s between two attempts; our choice


class Link:
    """Follows `topics` and hands each message to `hear(topic, payload)`; says in `say(level, text)` how it stands."""

    def __init__(self, settings, topics, hear, say):
        self._settings = settings
        self._topics = topics
        self._hear = hear
        self._say = say
        self._client = None
        self._deadline = None
        self._next = 0.0
        self._pause = 1.0
        self._fault = None
        self._answered = set()
        self._waiting = {}  # message id -> what to call once the broker has it
        self.ready = False  # connected, and every subscription answered
        self.connections = 0

    def step(self, wait):
        """Does what is due, for about `wait` seconds."""
        if self._client is None:
            pause = self._next - time.monotonic()
            if 0 < pause:
                time.sleep(min(wait, pause))
                return
            self._connect()
            return
        code = self._client.loop(timeout=wait)
        if code != mqtt.MQTT_ERR_SUCCESS:
            self._lost(self._fault_now or "the connection was lost")
        elif not self.ready and self._deadline < time.monotonic():
            self._lost("the broker does not answer")

    def publish(self, topic, payload, retain=False, delivered=None):
        """Hands over a message, QoS 1. Raises Failed while there is no connection."""
        if not self.ready:
            raise Failed("the broker is away")
        answer = self._client.publish(topic, payload, qos=1, retain=retain)
        if answer.rc != mqtt.MQTT_ERR_SUCCESS:
            raise Failed("the message could not be handed to the broker")
        self._waiting[answer.mid] = delivered

    def flush(self, seconds):
        """Waits until the broker has all that was handed over; false where it does not in time."""
        end = time.monotonic() + seconds
        while self._waiting and self.ready and time.monotonic() < end:
            self.step(0.1)
        return not self._waiting

    def close(self):
        if self._client is not None:
            self._client.disconnect()
            self._client.loop(timeout=0.1)
            self._drop()

    def _connect(self):
        broker = self._settings
        self._fault_now, self._answered, self._waiting = None, set(), {}
        self._deadline = time.monotonic() + ANSWER
        try:
            self._client = client = _client(broker.client_id)
            client.on_connect, client.on_subscribe = self._on_connect, self._on_subscribe
            client.on_message, client.on_publish = self._on_message, self._on_publish
            if broker.user is not None:
                client.username_pw_set(broker.user, broker.password)
            if broker.tls is not None:
                client.tls_set_context(_context(broker.tls))
            client.connect(broker.host, broker.port, keepalive=KEEP_ALIVE)
        except ssl.SSLCertVerificationError as fault:
            self._lost(f"its certificate is not believed: {fault.verify_message}")
        except (OSError, ValueError) as fault:
            self._lost(getattr(fault, "strerror", None) or str(fault) or type(fault).__name__)

    def _on_connect(self, client, _data, _flags, code, *_more):
        code = getattr(code, "value", code)
        if code:
            self._fault_now = REFUSALS.get(code, f"it refuses the connection with code {code}")
            return
        self._subscriptions = {}
        for topic in self._topics:
            _, mid = client.subscribe(topic, qos=1)
            self._subscriptions[mid] = topic

    def _on_subscribe(self, _client, _data, mid, codes, *_more):
        topic = self._subscriptions.get(mid)
        if topic is None:
            return
        self._answered.add(topic)
        codes = codes if isinstance(codes, (list, tuple)) else [codes]
        if any(128 <= getattr(code, "value", code) for code in codes):
            self._say("WARN", f"The broker refuses the subscription to {topic}: look at its access list.")
        if len(self._answered) == len(self._topics):
            self.ready, self._pause, self._fault = True, 1.0, None
            self.connections += 1
            self._say("INFO", f"Connected to the broker at {self._place()}.")

    def _on_message(self, _client, _data, message):
        self._hear(message.topic, message.payload)

    def _on_publish(self, _client, _data, mid, *_more):
        delivered = self._waiting.pop(mid, None)
        if delivered is not None:
            delivered()

    def _lost(self, fault):
        self._drop()
        self._next = time.monotonic() + self._pause
        self._pause = min(2 * self._pause, SLOWEST)
        if fault != self._fault:
            self._fault = fault
            self._say("WARN", f"No connection to the broker at {self._place()}: {fault}. It is tried again.")

    def _drop(self):
        client, self._client, self.ready = self._client, None, False
        self._waiting = {}
        if client is not None and client.socket() is not None:
            client.socket().close()

    def _place(self):
        return f"{self._settings.host}:{self._settings.port}"


def _client(client_id):
    try:
        from paho.mqtt.enums import CallbackAPIVersion
    except ImportError:
        return mqtt.Client(client_id=client_id, clean_session=True)
    return mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=True)


def _context(tls):
    context = ssl.create_default_context(cafile=tls["ca_file"])
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if tls["cert_file"] is not None:
        context.load_cert_chain(tls["cert_file"], tls["key_file"])
    return context


# MQTT 3.1.1, table 3.1, and the same by the codes of MQTT 5, table 3-1.
REFUSALS = {
    1: "it does not speak this version of MQTT",
    2: "it refuses the client_id",
    3: "it is not available now",
    4: "user or password is wrong",
    5: "user or password is wrong, or this account may not connect",
    132: "it does not speak this version of MQTT",
    133: "it refuses the client_id",
    134: "user or password is wrong",
    135: "user or password is wrong, or this account may not connect",
    136: "it is not available now",
}
