#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A serial line's own time: characters of ten bits one after the other, and a
supply that thinks before it answers. Everything is due at an instant counted from
when the question came, so that no lateness adds up; the last stretch is waited out
awake, since a sleep ends late."""

import os
import select
import threading
import time

AWAKE_S = 0.002
# After an answer the next question is listened for awake so long: what wakes on it
# hears it late, which no line does.
LISTENS_S = 0.0015


def wait_until(due_s):
    while True:
        left_s = due_s - time.monotonic()
        if left_s <= 0:
            return
        if left_s > AWAKE_S:
            time.sleep(left_s - AWAKE_S)


class Line:
    """baud 0: no line, everything at once."""

    def __init__(self, baud=0, turnaround_s=0.0):
        self.character_s = 10 / baud if baud else 0.0
        self.turnaround_s = turnaround_s
        self.heard_s = 0.0
        self.stands_back = False
        self.log = []  # (instant, "<" asked or ">" answered, bytes)

    def stand_back(self):
        """This thread waits awake: the kernel's own, which carry a terminal's bytes, go first."""
        if self.character_s and not self.stands_back:
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), 10)
            self.stands_back = True

    def comes(self, descriptor, wait_s):
        """Has something come, or does it within wait_s?"""
        self.stand_back()
        awake_s = self.heard_s + LISTENS_S if self.character_s else 0
        while time.monotonic() < awake_s:
            if select.select([descriptor], [], [], 0)[0]:
                return True
        return bool(select.select([descriptor], [], [], wait_s)[0])

    def hear(self, data):
        """Bytes that came just now travel for as long as they are."""
        self.heard_s = max(time.monotonic(), self.heard_s) + len(data) * self.character_s
        wait_until(self.heard_s)

    def asked(self, message):
        self.log.append((time.monotonic(), "<", bytes(message)))

    def answer(self, data, write):
        """The reply, its first character after the turnaround."""
        begin_s = max(self.heard_s + self.turnaround_s, time.monotonic()
                      if not self.character_s else 0)
        wait_until(begin_s)
        self.log.append((time.monotonic(), ">", bytes(data)))
        if not self.character_s:
            write(data)
            return
        for i in range(0, len(data), 4):
            piece = data[i:i + 4]
            wait_until(begin_s + (i + len(piece)) * self.character_s)
            write(piece)
        self.heard_s = begin_s + len(data) * self.character_s
