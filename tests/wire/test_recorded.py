#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The recordings in tests/recorded/, replayed: a player takes the supply's side to the
letter, and the real supply room must ask what was asked, in that order and byte by
byte, and make of the answers what the recording says."""

import glob
import os
import sys

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "peers"))
from checks import PROFILES, TOP, busy, check, finish, skip  # noqa: E402
from recording import Hand, Player, Recording  # noqa: E402

FOLDER = os.path.join(TOP, "tests", "recorded")


def replay(recording):
    """None, or what differs."""
    player = Player(recording)
    heads = recording.heads
    kind, _, keys = heads["link"].partition(" ")
    hand = Hand(heads["profile"], "%s:%s%s" % (kind, player.path, keys and "?" + keys),
                heads["output"], heads["control"])
    said = None
    for step in recording.steps:
        if player.wrong:
            break
        if step[0] == "do":
            said = hand.do(step[1])
        elif step[0] == "got" and said != step[1]:
            hand.end()
            player.stop()
            return "line %d: got \"%s\", recorded \"%s\"; asked: %s" % (
                step[2], said, step[1], player.wrong)
    ended = hand.end()
    wrong = player.wrong
    finished = player.finished()
    player.stop()
    if wrong:
        return "line %d: expected %r, asked %r" % wrong
    if not ended:
        return "the hand did not end well"
    return None if finished else "%d of %d steps" % (player.at, len(player.steps))


def check_recording(path):
    recording = Recording(path)
    name = os.path.basename(path)
    found = []
    # What it asks depends on how long answers took: again where the machine was late.
    # What differs each time in the same way is no lateness.
    for _ in range(3):
        found.append(replay(recording))
        if found[-1] is None or not busy():
            break
    differs = found[-1]
    if len(set(found)) > 1 and differs is not None:
        skip("%s (%s): the machine has other work" % (name, differs))
        return
    check("%s: asked and read as recorded" % name, differs is None, differs)
    got = [s[1] for s in recording.steps if s[0] == "got"]
    check("%s: says what came of three or more" % name, len(got) >= 3, got)


def altered():
    """A question, a value or an answer changed: each must be seen."""
    for what in ("ask", "tell", "got"):
        recording = Recording(os.path.join(FOLDER, "scpi.rec"))
        places = [i for i, s in enumerate(recording.steps)
                  if s[0] == what and (what != "tell" or b";" in s[2])
                  and (what != "got" or s[1].startswith("reading"))]
        step = list(recording.steps[places[-1]])
        if what == "got":
            step[1] = step[1].replace(" V", "1 V")
        else:
            step[2] = step[2].replace(b"?", b"!", 1) if what == "ask" else \
                step[2].replace(b"0", b"3", 1)
        recording.steps[places[-1]] = tuple(step)
        check("a recording with another %s: refused" % what, replay(recording) is not None)


def every_profile():
    recorded = {Recording(path).heads["profile"] for path in
                glob.glob(os.path.join(FOLDER, "*.rec"))}
    shipped = {os.path.basename(p)[:-4] for p in glob.glob(os.path.join(PROFILES, "*.ini"))}
    check("every shipped profile has a recording", shipped == recorded, shipped ^ recorded)


def main(names):
    paths = sorted(glob.glob(os.path.join(FOLDER, "*.rec")))
    for path in paths:
        if not names or os.path.basename(path)[:-4] in names:
            check_recording(path)
    if not names:
        altered()
        every_profile()
    finish()


if __name__ == "__main__":
    main(sys.argv[1:])
