"""A contract without ROS: what a node's parts subscribe to and publish, by name, for tests."""

from __future__ import annotations

from testbed.nodes.contract import text_taker
from testbed.nodes.topics import topic


class FakePublisher:
    """Keeps what it is given."""

    def __init__(self, name):
        self.name = name
        self.sent = []

    def publish(self, message):
        self.sent.append(message)


class FakeContract:
    """Stands for nodes.contract.Contract; `send` delivers a message to whoever subscribed."""

    def __init__(self, lockstep, launched=False):
        self.lockstep = lockstep
        self.launched = launched
        self.everybody_hears = True
        self.publishers = {}
        self.callbacks = {}
        self.complaints = []

    def publisher(self, name, vehicle=""):
        full = topic(name).full_name(vehicle)
        return self.publishers.setdefault(full, FakePublisher(full))

    def subscribe(self, name, callback, vehicle="", raw=False):
        self.callbacks.setdefault(topic(name).full_name(vehicle), []).append(callback)

    def subscribe_records(self, name, callback, vehicle="", form=""):
        """As subscribe; what is sent are records of shape (1,)."""
        self.subscribe(name, callback, vehicle)

    def subscribe_text(self, name, read, take, vehicle=""):
        """As the contract's; complaints are kept."""
        self.subscribe(name, text_taker(read, take, self.complaints.append), vehicle)

    def connected(self):
        return self.everybody_hears

    def send(self, full_name, message):
        for callback in self.callbacks[full_name]:
            callback(message)

    def sent(self, full_name):
        return self.publishers[full_name].sent


class FakeTimer:
    """Calls back when a test lets time pass, unless cancelled."""

    def __init__(self, callback):
        self.callback = callback
        self.running = True

    def cancel(self):
        self.running = False

    def reset(self):
        self.running = True


class FakeNode:
    """Stands for a node where only its name, timers and clients matter."""

    def __init__(self, name="/wren/estimator"):
        self.name = name
        self.timers = []
        self.clients = {}

    def get_fully_qualified_name(self):
        return self.name

    def create_timer(self, period, callback):
        self.timers.append(FakeTimer(callback))
        return self.timers[-1]

    def create_client(self, service, name):
        return self.clients.setdefault(name, FakeClient())

    def tick(self):
        for timer in self.timers:
            if timer.running:
                timer.callback()


class FakeFuture:
    """An answer that comes when the test says so."""

    def __init__(self, request):
        self.request = request
        self.done = None
        self.value = None

    def add_done_callback(self, callback):
        self.done = callback

    def result(self):
        return self.value

    def answer(self, value):
        self.value = value
        self.done(self)


class FakeClient:
    """Keeps the requests it was asked."""

    def __init__(self):
        self.ready = True
        self.futures = []

    def service_is_ready(self):
        return self.ready

    def call_async(self, request):
        self.futures.append(FakeFuture(request))
        return self.futures[-1]
