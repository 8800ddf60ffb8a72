//! The words of the report, for a class.

/// Words with what they mean.
pub(super) const WORDS: [(&str, &str); 26] = [
    ("Available water", "The water between wilting point and field capacity: what roots can use."),
    (
        "Bad, doubtful, good",
        "A bad reading cannot be true, a doubtful one may not be; a good one passed every check.",
    ),
    (
        "Bootstrap interval (95 %)",
        "A range for a difference, found by drawing from the values again and again. \
      If it holds zero, the data do not show that there is a difference.",
    ),
    (
        "Cliff's delta",
        "How often a value of the first is above one of the second, minus how often it is below. 0: as \
      often. 1: always above. -1: always below.",
    ),
    ("Complete", "Good readings in a hundred that the sensor's interval promises."),
    ("°C", "Degrees Celsius."),
    ("Effect size", "How large a difference is beside how much the values vary by themselves."),
    (
        "Field capacity",
        "The water that a soil holds after the rest has drained, some two days after a soaking.",
    ),
    ("Hedges' g", "The mean difference in standard deviations, made right for few values."),
    ("Litre on a square metre", "The same as one millimetre of water."),
    ("m³/m³", "Cubic metres of water in a cubic metre of soil. 0.25 m³/m³ is 25 % by volume."),
    (
        "Mean, median",
        "The mean is the sum shared out evenly. Half of the values are below the median, half above it.",
    ),
    ("Millimetre (mm) of water", "The depth of water if it stood on the ground. 1 mm on 1 m² is 1 litre."),
    (
        "Need of a crop",
        "The water that the crop uses when it has enough, from sun, wind, warmth, damp and its growth.",
    ),
    (
        "p",
        "How often chance alone would make a difference at least as large. Small p does not mean large effect.",
    ),
    ("Rain day", "9 am to 9 am, named by the day on which it ends."),
    (
        "Refill point",
        "The water content below which the crop begins to suffer: time to water before it is reached.",
    ),
    ("Root mean square", "A mean of distances that counts large ones more."),
    ("Root zone", "The soil as deep as the crop's roots go."),
    ("Standard deviation", "How far values typically are from their mean."),
    ("Standard error", "How far a fitted figure may be off by chance, in the same way."),
    ("Swing", "The day's warmest minus its coldest."),
    ("Time constant", "Days after which 37 % (1/e) of what can be lost is left."),
    ("UTC", "Universal time, the same everywhere and without summer time."),
    ("Water content", "The part of the soil's volume that is water."),
    ("Wilting point", "The water content at which plants wilt and do not recover overnight."),
];
