//! Where a rain gauge stands.
//!
//! A gauge on a roof or near what is taller catches too little: the wind speeds up over
//! the edge and carries the drops past, and walls and trees keep rain off or drip into
//! it. The distances are those of WMO-No. 8, Guide to Instruments and Methods of
//! Observation, volume I, chapter 6 and the siting classification, from memory.

/// Where a gauge stands, for people.
pub const GAUGE_PLACE: &str = "A gauge stands on open, level ground, its rim level and about 0.5 to 1.5 m above the ground, \
    never on a roof. Trees, walls and fences are at least twice as far away as they are higher than its rim, better four \
    times. Low shrubs or a fence around it that is no higher than its rim break the wind. No sprinkler reaches it.";
