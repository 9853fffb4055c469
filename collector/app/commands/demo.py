"""placeholder"""


def add(commands): ...
