"""How wet bedding is, and what would change that: water to add, dry bedding to mix in.

Moisture is in % wet basis, as composting has it (Cornell Composting, "Monitoring compost moisture"): the water's share
of the whole mass. Soil science has it on dry basis (ASTM D2216, from memory): water by dry mass, which may pass 100 %.
Masses in kg; a litre of water is taken as 1 kg.
"""


def dry_basis_pct(wet_pct: float) -> float:
    """Dry basis of a wet-basis moisture, 0 <= wet_pct < 100. Raises ValueError outside."""
    if not 0.0 <= wet_pct < 100.0:
        raise ValueError(f"{wet_pct:g} % wet basis: moisture of bedding is from 0 % to less than 100 %")
    return 100.0 * wet_pct / (100.0 - wet_pct)


def wet_kg(dry_kg: float, wet_pct: float) -> float:
    """What bedding of this dry mass weighs at a moisture. Raises ValueError at 100 % and beyond."""
    return dry_kg * (1.0 + dry_basis_pct(wet_pct) / 100.0)


def water_change_l(dry_kg: float, from_pct: float, to_pct: float) -> float:
    """Water between two moistures; negative where it has to go. Raises ValueError where either is no moisture.

    W (M2 - M1) / (100 - M2) with W the wet mass now (form of NRAES-54, from memory), said on dry mass.
    """
    return dry_kg * (dry_basis_pct(to_pct) - dry_basis_pct(from_pct)) / 100.0


def water_to_add_l(dry_kg: float, from_pct: float, to_pct: float) -> float | None:
    """Litres that take bedding from one moisture to another; None where no water does: it is wetter already, or one of
    them is no moisture that bedding can have."""
    try:
        change_l = water_change_l(dry_kg, from_pct, to_pct)
    except ValueError:
        return None
    return change_l if change_l >= 0.0 else None


def second_material_kg(first_kg: float, first_pct: float, second_pct: float, goal_pct: float) -> float | None:
    """How much of a second material brings a mix to a moisture: Q2 = Q1 (G - M1) / (M2 - G), wet masses (Cornell
    Composting). None where the goal does not lie between the two."""
    if not min(first_pct, second_pct) <= goal_pct <= max(first_pct, second_pct) or second_pct == goal_pct:
        return None
    return first_kg * (goal_pct - first_pct) / (second_pct - goal_pct)


def dry_bedding_to_add_kg(dry_kg: float, from_pct: float, to_pct: float, bedding_pct: float) -> float | None:
    """Dry bedding of moisture `bedding_pct` to mix into bedding that is too wet; None where none helps: it is dry
    enough, or one of them is no moisture that bedding can have."""
    try:
        now_kg = wet_kg(dry_kg, from_pct)
    except ValueError:
        return None
    return second_material_kg(now_kg, from_pct, bedding_pct, to_pct) if from_pct > to_pct else None
