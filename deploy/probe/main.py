"""Runs when the board gets power. What a person should know is on the console (USB, 115200 baud)."""

import sys
import time

import machine
import settings
from probe import Probe
from trouble import words

_STOP_S = 5
_AFTER_A_CRASH_MS = 30000


def main():
    found, problems = settings.load()
    if problems:
        for problem in problems:
            print(problem)
        print("Nothing is sent until this is put right. Then press Ctrl-D to start again.")
        return
    if machine.reset_cause() == machine.PWRON_RESET:
        print("Press Ctrl-C within %d s to stop." % _STOP_S)
        time.sleep_ms(_STOP_S * 1000)
    probe = None
    try:
        probe = Probe(found)
        print("This probe sends to %s as %s" % (found["topic"], probe.base))
        probe.run()
    except Exception as error:  # whatever it was, a probe nobody is near goes on
        sys.print_exception(error)
        _save(probe)
        print("stopped (%s); starting again in %d s" % (words(error), _AFTER_A_CRASH_MS // 1000))
        time.sleep_ms(_AFTER_A_CRASH_MS)
        machine.reset()


def _save(probe):
    try:
        if probe is not None:
            probe.save()
    except OSError as error:
        print("cannot write to flash: %s" % words(error))


main()
