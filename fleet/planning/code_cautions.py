"""Cautions that go with every plan of replacements. Local code and licensed practice decide."""

CAUTIONS = (
    "A forecast is not an inspection. A heater that leaks, smells of gas, spills flue gas, or has a failed or capped relief "
    "valve is dealt with at once by a licensed person, whatever its year in the plan.",
    "Replacing a water heater needs a permit and inspection in most places, and gas, vent and electrical work a licence.",
    "Code work shown as due is what is usual; what is due at a place is for the local authority to say.",
    "Federal efficiency rules change and are contested in court: check the date and the status before ordering.",
    "Water stored below 140 °F can let Legionella grow and water above 120 °F at a fixture scalds: store hot, mix down.",
    "A change of kind can leave another appliance's vent too large, or a circuit too small: have both checked.",
)
