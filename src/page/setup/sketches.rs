//! Drawings of how sensors are placed, in lines and few words.

use maud::{Markup, PreEscaped, html};

/// A drawing of 320 by 190 units, and what it shows for those who do not see it.
fn sketch(shows: &str, drawn: &str) -> Markup {
    html! {
        figure class="sketch" {
            svg viewBox="0 0 320 190" role="img" aria-label=(shows) { (PreEscaped(drawn)) }
        }
    }
}

/// A plant with its roots, cut open, and two probes beside them.
pub(super) fn probes_in_a_bed() -> Markup {
    sketch(
        "A plant cut open: one probe a third of the way down its roots, a second one at two thirds, both pushed in from the side",
        r#"<rect class="earth" x="0" y="60" width="320" height="130"/>
<path class="mulch" d="M0 60h320v-7H0z"/>
<path class="leaf" d="M150 55C120 50 112 25 122 12c14 6 26 24 28 43zM150 55c30-5 38-30 28-43-14 6-26 24-28 43z"/>
<path class="root" d="M150 55v100M150 75l-30 25M150 75l30 25M150 95l-40 40M150 95l40 40M150 120l-22 40M150 120l22 40"/>
<path class="dim" d="M28 60v115M20 60h16M20 175h16M20 98h16M20 137h16"/>
<text x="42" y="102">a third</text><text x="42" y="141">two thirds</text><text x="42" y="178">end of the roots</text>
<path class="lead" d="M196 98h34c8 0 10 14 18 14s10-10 10-20V30M196 137h64c10 0 12 14 20 14s10-10 10-20V30"/>
<path class="probe" d="M160 93h36v10h-36zM160 132h36v10h-36z"/>
<text x="200" y="90">probe 1</text><text x="200" y="129">probe 2</text>
<text x="312" y="24" text-anchor="end">leads with a loop</text>"#,
    )
}

/// A drip line from the side: wet ground below each dripper, the probe between.
pub(super) fn beside_a_dripper() -> Markup {
    sketch(
        "A drip line with two drippers: the probe stands 10 to 20 cm beside a dripper, not right below it",
        r#"<rect class="earth" x="0" y="60" width="320" height="130"/>
<path class="wet" d="M70 60c-60 20-50 95 0 110 50-15 60-90 0-110zM250 60c-60 20-50 95 0 110 50-15 60-90 0-110z"/>
<path class="pipe" d="M0 50h320"/><path class="drop" d="M70 55v8M250 55v8"/>
<text x="50" y="38">dripper</text><text x="230" y="38">dripper</text>
<path class="probe" d="M100 95h12v40h-12z"/><path class="lead" d="M106 95V20"/><text x="112" y="18">right</text>
<path class="wrong-place" d="M241 85l18 50M259 85l-18 50"/><text x="206" y="184">wrong: always wet</text>
<path class="dim" d="M70 78h36M70 72v12M106 72v12"/><text x="118" y="82">10 to 20 cm</text>"#,
    )
}

/// A tank from the side, with its thermometer.
pub(super) fn in_a_tank() -> Markup {
    sketch(
        "A tank cut open: the thermometer hangs half way down, away from heater, inlet and sun",
        r#"<path class="glass" d="M30 30v140h220V30"/><path class="wet" d="M32 55h216v113H32z"/>
<path class="lead" d="M140 108V14"/><path class="probe" d="M135 100h10v28h-10z"/>
<text x="152" y="118">half way down</text>
<path class="pipe" d="M250 40h-30v40"/><text x="196" y="96">inlet</text>
<path class="wrong-place" d="M56 130h12v30H56z"/><text x="48" y="122">heater</text>
<path class="root" d="M92 160c14-12 26-12 34 0-8 12-20 12-34 0zM92 160l-9-7v14z"/>
<circle class="sun" cx="292" cy="30" r="14"/><text x="282" y="62">sun</text>"#,
    )
}

/// An air thermometer in its screen.
pub(super) fn in_the_air() -> Markup {
    sketch(
        "A thermometer in a white screen with slats, 1.25 to 2 metres above grass, away from walls and paving",
        r#"<path class="earth" d="M0 165h320v25H0z"/><path class="leaf" d="M0 165h320v-5H0z"/>
<path class="post" d="M110 70v95"/><path class="glass" d="M84 30h52v42H84zM84 38h52M84 46h52M84 54h52M84 62h52"/>
<path class="probe" d="M107 42h6v22h-6z"/>
<path class="dim" d="M60 52v113M52 52h16M52 165h16"/><text x="8" y="22">1.25 to 2 m</text><path class="dim" d="M60 26v26"/>
<text x="146" y="44">white, shaded,</text><text x="146" y="59">air passes through</text>
<path class="brick" d="M270 70h50v95h-50z"/><path class="wrong-place" d="M254 100l12 24M266 100l-12 24"/>
<text x="212" y="92">not at a wall</text>"#,
    )
}

/// A rain gauge and a tree: the distance that the tree's height asks for.
pub(super) fn gauge_in_the_open() -> Markup {
    sketch(
        "A rain gauge in the open: its rim level, 0.5 to 1.5 metres high, trees at least twice as far away as they are higher than the rim",
        r#"<path class="earth" d="M0 165h320v25H0z"/>
<path class="post" d="M60 130v35"/><path class="glass" d="M48 104h24v28H48z"/><path class="dim" d="M44 104h32"/>
<text x="20" y="96">rim level</text>
<path class="dim" d="M22 104v61M16 104h12M16 165h12"/><text x="2" y="184">0.5 to 1.5 m</text>
<path class="post" d="M270 104v61"/><path class="leaf" d="M270 30c-34 4-40 60-12 76h24c28-16 22-72-12-76z"/>
<path class="dim" d="M306 30v74M300 30h12M300 104h12"/><text x="311" y="70">h</text>
<path class="dim" d="M72 142h180M72 136v12M252 136v12"/><text x="100" y="136">at least 2 x h, better 4 x h</text>
<text x="96" y="26">not on a roof, not below a tree,</text><text x="96" y="41">not in reach of a sprinkler</text>"#,
    )
}

/// A jar with its three layers.
pub(super) fn jar() -> Markup {
    sketch(
        "A jar in which soil has settled: sand at the bottom, silt above it, clay on top, then water",
        r#"<path class="glass" d="M60 20v155h90V20M70 12h70v8H70z"/><path class="wet" d="M62 30h86v70H62z"/>
<path class="brick" d="M62 140h86v33H62z"/><path class="earth" d="M62 116h86v24H62z"/><path class="mulch" d="M62 100h86v16H62z"/>
<path class="dim" d="M150 140h20M150 116h20M150 100h20"/>
<text x="176" y="161">sand: in 1 minute</text><text x="176" y="133">silt: in 2 hours</text><text x="176" y="109">clay: in 2 days</text>
<text x="84" y="66">water</text>"#,
    )
}
