//! A bed's probes put together over time.

use jiff::Timestamp;

use super::Bin;
use crate::soil::mean_water_content;

/// One probe's record in bins of the same edges as its neighbours', oldest first.
#[derive(Clone, Copy, Debug)]
pub struct ProbeBins<'a> {
    /// Metres below the surface.
    pub depth_m: f64,
    /// Seconds for which its last good word counts: where it speaks less than once a
    /// bin, it stands for the bins between.
    pub patience_s: i64,
    pub bins: &'a [Bin],
}

/// A bed's root zone in one stretch of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RootZoneBin {
    pub start: Timestamp,
    /// The first moment that does not belong to it.
    pub end: Timestamp,
    /// Mean water content by the probes that were heard, m³/m³.
    pub water_content: f64,
    /// How many probes were heard.
    pub heard: usize,
    /// Whether every probe was heard. Where one is missing, what the others see is not
    /// the whole bed, and the mean steps when it comes or goes.
    pub whole: bool,
}

/// The root zone's mean water content over time, by [`mean_water_content`] of what the
/// probes said in each bin, the same weights by which the daemon judges a bed. Bins in
/// which no probe was heard are left out.
pub fn root_zone_bins(probes: &[ProbeBins<'_>], root_depth_m: f64) -> Vec<RootZoneBin> {
    let mut order: Vec<&ProbeBins> = probes.iter().collect();
    order.sort_by(|a, b| a.depth_m.total_cmp(&b.depth_m));
    let mut edges: Vec<(Timestamp, Timestamp)> =
        probes.iter().flat_map(|probe| probe.bins.iter().map(|bin| (bin.start, bin.end))).collect();
    edges.sort_unstable();
    edges.dedup_by_key(|edge| edge.0);
    let mut next = vec![0_usize; order.len()];
    let mut last: Vec<Option<(Timestamp, f64)>> = vec![None; order.len()];
    let mut heard = Vec::with_capacity(order.len());
    let mut found = Vec::with_capacity(edges.len());
    for (start, end) in edges {
        heard.clear();
        for (i, probe) in order.iter().enumerate() {
            while probe.bins.get(next[i]).is_some_and(|bin| bin.start < start) {
                next[i] += 1;
            }
            let bin = probe.bins.get(next[i]).filter(|bin| bin.start == start);
            let own = bin.and_then(|bin| Some((bin.mean()?, bin.last_at, bin.last)));
            if let Some((_, at, value)) = own {
                last[i] = Some((at, value));
            }
            let lasts = last[i].filter(|(at, _)| end.as_second() - at.as_second() <= probe.patience_s);
            let value = own.map(|(mean, _, _)| mean).or_else(|| lasts.map(|(_, value)| value));
            heard.extend(value.filter(|value| value.is_finite()).map(|value| (probe.depth_m, value)));
        }
        if let Some(water_content) = mean_water_content(&heard, root_depth_m) {
            let whole = heard.len() == order.len();
            found.push(RootZoneBin { start, end, water_content, heard: heard.len(), whole });
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::history::Point;
    use crate::quality::Flag;

    fn t(hour: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_000 + hour * 3600).expect("in range")
    }

    fn bins(values: &[(i64, f64)]) -> Vec<Bin> {
        values
            .iter()
            .map(|&(hour, value)| {
                let mut bin = Bin::empty(t(hour), t(hour + 1));
                bin.add(&Point { at: t(hour), raw: 0.0, value: Some(value), flag: Flag::Pass, late: false });
                bin
            })
            .collect()
    }

    /// Expected: the layers of probes at 15 and 30 cm in a root zone of half a metre,
    /// 0 to 0.225 m and 0.225 to 0.5 m, worked by hand.
    #[test]
    fn each_hour_has_the_weights_of_the_probes_that_were_heard() {
        let (top, deep) = (bins(&[(0, 0.1), (1, 0.2), (3, 0.3)]), bins(&[(0, 0.2), (2, 0.4), (3, 0.4)]));
        let probe = |depth_m, bins| ProbeBins { depth_m, patience_s: 0, bins };
        let got = root_zone_bins(&[probe(0.30, &deep), probe(0.15, &top)], 0.5);
        let expected = [
            (0, (0.225 * 0.1 + 0.275 * 0.2) / 0.5, true),
            (1, 0.2, false),
            (2, 0.4, false),
            (3, (0.225 * 0.3 + 0.275 * 0.4) / 0.5, true),
        ];
        assert_eq!(got.len(), expected.len());
        for (got, (hour, mean, whole)) in got.iter().zip(expected) {
            assert_eq!((got.start, got.whole), (t(hour), whole));
            assert!((got.water_content - mean).abs() < 1e-12, "{got:?}");
        }
        assert_eq!(root_zone_bins(&[], 0.5), vec![]);
    }

    #[test]
    fn a_probe_that_speaks_seldom_stands_for_the_hours_between() {
        let (often, seldom) =
            (bins(&[(0, 0.1), (1, 0.1), (2, 0.1), (3, 0.1), (4, 0.1)]), bins(&[(0, 0.3), (4, 0.3)]));
        let probes = [
            ProbeBins { depth_m: 0.15, patience_s: 3600, bins: &often },
            ProbeBins { depth_m: 0.15, patience_s: 3 * 3600, bins: &seldom },
        ];
        let whole: Vec<bool> = root_zone_bins(&probes, 0.5).iter().map(|bin| bin.whole).collect();
        assert_eq!(whole, [true, true, true, false, true]);
    }
}
