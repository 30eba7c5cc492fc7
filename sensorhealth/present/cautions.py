"""What every report, notebook and command says about what it must not be used for."""

SHORT = (
    "A forecast is not a proof of function: only gas applied to a sensor shows that it responds today. Bump "
    "tests and calibrations that the maker's instructions, local codes and the site's competent person "
    "require go on unchanged. A sensor that fails a test is out of service, whatever the forecast says."
)

CAUTIONS = (
    "These pages do not replace the bump test, the calibration check or the calibration that local codes, the"
    " site's procedure and the maker's instructions ask for. Where they differ from what stands here, they "
    "rule.",
    "A forecast is not a proof of function. Only gas applied to the sensor shows that it responds today.",
    "A sensor that fails a full calibration is taken out of service. No forecast is a licence to use it until some date.",
    "A sensor that fails a bump test or a calibration check needs a full calibration before it is used again.",
    "Poisoning, a blocked inlet or a shock can stop a sensor at any time; no history foretells it.",
    "Test intervals are not to be lengthened on the word of this analysis. Changing them is for a competent "
    "person, under the site's risk assessment.",
    "Headroom on a surrogate gas does not show that the sensor responds to the gas it is there for. Where "
    "methane is the hazard, catalytic beads are to be tested with methane.",
    "Before a sensor is condemned, the gas is to be verified: cylinder in date, right value and unit, right "
    "flow, and a second cylinder. No sensor is condemned on one cylinder.",
    "When a cylinder proves weak, strong or wrong, every instrument adjusted with it since its first use is "
    "to be tested again. Adjusted on weak gas a sensor over-reads; adjusted on strong gas it UNDER-reads, "
    "which is the dangerous way.",
    "Forecasts take the future to be like the past. Gas over range, solvents, silicones, heat and dry air break that.",
    "Missing records, or records kept only of some results, make the rates wrong, and the direction may not show.",
    "Sums of money rest on the prices of the policy and of the records. Warranty terms are those of the contract.",
    "Calibration gas is under pressure and may be toxic or flammable: trained persons, ventilation, the safety data sheet.",
    "Work on fixed safety systems needs permits, managed bypasses and a check that everything was put back, "
    "under the site's rules. Claims of functional safety need a competent assessor.",
    "This analysis is certified to no performance or functional-safety standard. It is not for decisions "
    "about alarms, interlocks or entry.",
)
