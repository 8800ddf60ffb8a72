//! Stretches of time in which something may, or must, be told.

/// One stretch, Unix seconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Stretch {
    pub(crate) from_s: i64,
    pub(crate) to_s: i64,
    /// Beyond the limit for long enough and by enough that it has to be told.
    pub(crate) must: bool,
}

/// Watches one condition, minute by minute.
///
/// While `near` holds the stretch is open; it is one that must be told once
/// `beyond` has held without a break for `hold_s`. It closes `linger_s` after
/// `near` last held, since an alarm's own delays make it late.
#[derive(Clone, Debug)]
pub(crate) struct Window {
    hold_s: i64,
    linger_s: i64,
    open: Option<Open>,
}

#[derive(Clone, Copy, Debug)]
struct Open {
    from_s: i64,
    near_s: i64,
    beyond_since_s: Option<i64>,
    must: bool,
}

impl Window {
    pub(crate) fn new(hold_s: i64, linger_s: i64) -> Self {
        Self { hold_s, linger_s, open: None }
    }

    /// One step; gives a stretch that has just closed.
    pub(crate) fn step(&mut self, now_s: i64, near: bool, beyond: bool) -> Option<Stretch> {
        if near {
            let open = self.open.get_or_insert(Open {
                from_s: now_s,
                near_s: now_s,
                beyond_since_s: None,
                must: false,
            });
            open.near_s = now_s;
            if beyond {
                let since_s = *open.beyond_since_s.get_or_insert(now_s);
                open.must |= now_s - since_s >= self.hold_s;
            } else {
                open.beyond_since_s = None;
            }
            return None;
        }
        let open = self.open.as_mut()?;
        open.beyond_since_s = None;
        if now_s - open.near_s <= self.linger_s {
            return None;
        }
        self.close()
    }

    /// The stretch as it stands, if one is open.
    pub(crate) fn close(&mut self) -> Option<Stretch> {
        let open = self.open.take()?;
        Some(Stretch { from_s: open.from_s, to_s: open.near_s + self.linger_s, must: open.must })
    }
}

/// Largest less smallest value of a trailing span of time.
#[derive(Clone, Debug)]
pub(crate) struct TrailingRange {
    span_s: i64,
    /// Falling from front to back.
    largest: std::collections::VecDeque<(i64, f64)>,
    /// Rising from front to back.
    smallest: std::collections::VecDeque<(i64, f64)>,
}

impl TrailingRange {
    pub(crate) fn new(span_s: i64) -> Self {
        Self { span_s, largest: Default::default(), smallest: Default::default() }
    }

    /// Takes the next value and gives the range over the span that ends now.
    pub(crate) fn step(&mut self, now_s: i64, value: f64) -> f64 {
        while self.largest.back().is_some_and(|(_, v)| *v <= value) {
            self.largest.pop_back();
        }
        while self.smallest.back().is_some_and(|(_, v)| *v >= value) {
            self.smallest.pop_back();
        }
        self.largest.push_back((now_s, value));
        self.smallest.push_back((now_s, value));
        for queue in [&mut self.largest, &mut self.smallest] {
            while queue.front().is_some_and(|(at, _)| *at < now_s - self.span_s) {
                queue.pop_front();
            }
        }
        let front = |q: &std::collections::VecDeque<(i64, f64)>| q.front().map_or(value, |(_, v)| *v);
        front(&self.largest) - front(&self.smallest)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn play(steps: &[(i64, bool, bool)]) -> Vec<Stretch> {
        let mut window = Window::new(100, 50);
        let mut seen: Vec<Stretch> =
            steps.iter().filter_map(|&(at, near, beyond)| window.step(at, near, beyond)).collect();
        seen.extend(window.close());
        seen
    }

    #[test]
    fn short_excess_need_not_be_told() {
        let got = play(&[(0, true, true), (90, true, true), (100, true, false), (200, false, false)]);
        assert_eq!(got, [Stretch { from_s: 0, to_s: 150, must: false }]);
    }

    #[test]
    fn held_excess_must_be_told_and_a_short_gap_does_not_part_it() {
        let got = play(&[(0, true, true), (100, true, true), (130, false, false), (140, true, false)]);
        assert_eq!(got, [Stretch { from_s: 0, to_s: 190, must: true }]);
    }

    #[test]
    fn an_interrupted_excess_starts_its_hold_again() {
        let got = play(&[(0, true, true), (60, true, false), (70, true, true), (160, true, true)]);
        assert_eq!(got, [Stretch { from_s: 0, to_s: 210, must: false }]);
    }

    #[test]
    fn range_forgets_what_is_older_than_its_span() {
        let mut range = TrailingRange::new(60);
        let got: Vec<f64> =
            [(0, 5.0), (30, 9.0), (60, 7.0), (61, 7.0), (91, 7.5)].map(|(at, v)| range.step(at, v)).into();
        let expected = [0.0, 4.0, 4.0, 2.0, 0.5];
        for (g, e) in got.iter().zip(expected) {
            assert!((g - e).abs() < 1e-12, "{got:?}");
        }
    }
}
