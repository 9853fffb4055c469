"""Heat that flows while two bodies share it. Closed forms: no step is too long to be stable, and what one body loses
the other gets."""

import math


def shared_j(conductance_w_k: float, a_j_k: float, a_c: float, b_j_k: float, b_c: float, seconds: float) -> float:
    """Heat that passes from body a to body b, J; negative the other way. Capacities in J/K, temperatures in degC.

    Newton's law between two bodies that are each of one temperature: the difference dies away with the rate
    G (1/Ca + 1/Cb).
    """
    shared = a_j_k * b_j_k / (a_j_k + b_j_k)
    return shared * (a_c - b_c) * -math.expm1(-conductance_w_k * seconds / shared)


def from_around_j(conductance_w_k: float, capacity_j_k: float, temp_c: float, around_c: float, seconds: float) -> float:
    """Heat a body gets from surroundings so large that they keep their temperature, J."""
    return capacity_j_k * (around_c - temp_c) * -math.expm1(-conductance_w_k * seconds / capacity_j_k)
