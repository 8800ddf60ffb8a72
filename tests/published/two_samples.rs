//! Two samples beside each other.

use trug::analysis::{
    Pairing, cliffs_delta, effect, hedges_g, mann_whitney, permutation_p, signs_p, welch,
};

use crate::harness::{Checks, Row, table};

pub(crate) fn checks() -> Vec<Checks> {
    let mut checks = Checks::of("two_samples.csv");
    for row in table(checks.table) {
        let (first, second) = (numbers(&row, "first"), numbers(&row, "second"));
        let all = || effect(&first, &second, Pairing::Apart, 1).unwrap();
        let got = match row.text("statistic") {
            "Mann-Whitney U" => mann_whitney(&first, &second).u,
            "Mann-Whitney p" => mann_whitney(&first, &second).p,
            "Welch degrees of freedom" => welch(&first, &second).unwrap().freedom,
            "Welch p" => welch(&first, &second).unwrap().p,
            "Welch interval" => {
                let interval = welch(&first, &second).unwrap().interval;
                checks.printed(&row, "low", interval.low);
                checks.printed(&row, "high", interval.high);
                continue;
            }
            "mean difference" => all().mean_difference,
            "median difference" => all().median_difference,
            "Cliff's delta" => cliffs_delta(&first, &second),
            "permutation p" => permutation_p(&first, &second, 1),
            "Hedges' g" => hedges_g(&first, &second).unwrap(),
            "sign permutation p" => {
                let differences: Vec<f64> = first.iter().zip(&second).map(|(a, b)| a - b).collect();
                signs_p(&differences, 1, 1)
            }
            other => panic!("no statistic is called {other}"),
        };
        checks.printed(&row, "value", got);
    }
    vec![checks]
}

fn numbers(row: &Row, column: &str) -> Vec<f64> {
    row.text(column).split_whitespace().map(|x| x.parse().unwrap()).collect()
}
