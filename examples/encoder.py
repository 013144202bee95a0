#!/usr/bin/env python3
"""An encoder to start from: bibweave run --encoder 'program:python3 examples/encoder.py'

One JSON object a line comes on standard input, one a line goes to standard output; whatever is
written to standard error stands in the node's log. DEVELOPERS.md, "Encoders", has the protocol.
To drive real hardware, replace the class Antenna: that is all that knows of a reader.
"""
import json
import queue
import sys
import threading
import time

SIGN_OF_LIFE = 0.5  # seconds; the node ends an encoder that says nothing for five


class Failed(Exception):
    """A write that was not done: `why` is a word of the protocol."""

    def __init__(self, why, changed, text):
        super().__init__(text)
        self.why, self.changed, self.text = why, changed, text


class Antenna:
    """No hardware: a blank tag lies here; a written one is taken away a second later."""

    def __init__(self):
        self.number = int(time.time()) << 16
        self.lay_next()

    def lay_next(self):
        self.number += 1
        self.tag = {"epc": "00" * 12, "tid": f"E2000FFF{self.number:016X}", "pc": "3000"}
        self.gone_at = None

    def field(self):
        """All tags that are on the antenna now."""
        if self.gone_at is not None and time.monotonic() > self.gone_at:
            self.lay_next()
            return []
        return [self.tag]

    def write(self, tag, epc, pc):
        """Writes exactly that tag, reads it back, and returns what was read."""
        if self.gone_at is not None or tag.get("tid", self.tag["tid"]) != self.tag["tid"]:
            raise Failed("gone", False, "that tag is not here")
        time.sleep(0.05)
        self.tag.update(epc=epc, pc=pc)
        self.gone_at = time.monotonic() + 1
        return self.tag


def say(**words):
    print(json.dumps(words), flush=True)


def read_orders(orders):
    for line in sys.stdin:
        orders.put(json.loads(line))
    orders.put({"do": "end"})


def take(order, antenna):
    if order["do"] == "start":
        say(say="ready", protocol=1, name="example without hardware", can=["write", "tid"])
    elif order["do"] == "write":
        try:
            tag = antenna.write(order["tag"], order["epc"], order["pc"])
            say(say="written", order=order["order"], tag=tag)
        except Failed as failed:
            say(say="failed", order=order["order"], why=failed.why, changed=failed.changed,
                text=failed.text)
    # "forget" needs no answer of its own here: every order is done before the next is read.


def main():
    orders, antenna, told, told_at = queue.Queue(), Antenna(), None, 0.0
    threading.Thread(target=read_orders, args=(orders,), daemon=True).start()
    while True:
        try:
            order = orders.get(timeout=0.05)
            if order["do"] == "end":
                return
            take(order, antenna)
        except queue.Empty:
            pass
        field = [dict(tag) for tag in antenna.field()]
        if field != told or time.monotonic() > told_at + SIGN_OF_LIFE:
            say(say="field", tags=field)
            told, told_at = field, time.monotonic()


if __name__ == "__main__":
    main()
