use proptest::prelude::*;

use super::*;

fn us(text: &str) -> String {
    LocalText::new(Locale::EnUs, ["Grey bed", "5 L tub", "kitchen-15cm"]).text(text).into_owned()
}

#[test]
fn australia_reads_what_is_written_and_britain_names_no_authority_of_it() {
    let text = "580 L on Wednesday 18 March, as the Bureau of Meteorology has it.";
    assert_eq!(LocalText::new(Locale::EnAu, []).text(text), text);
    let british = "580 L on Wednesday 18 March, as a national weather service has it.";
    assert_eq!(LocalText::new(Locale::EnGb, []).text(text), british);
}

#[test]
fn tags_are_read_back() {
    for locale in Locale::ALL {
        assert_eq!(Locale::from_tag(locale.tag()), Some(locale));
    }
    for wrong in ["", "en", "en_AU", "de-DE", "EN-US"] {
        assert_eq!(Locale::from_tag(wrong), None, "{wrong}");
    }
}

#[test]
fn customary_units_stand_beside_si() {
    for (text, expected) in [
        ("It is 30.3 °C.", "It is 30.3 °C (86.5 °F)."),
        ("Give 580 L today.", "Give 580 L (150 US gal) today."),
        ("22 mm of rain", "22 mm (0.9 in) of rain"),
        ("0.2 mm, 1 mm and 12.3 mm", "0.2 mm (0.008 in), 1 mm (0.04 in) and 12.3 mm (0.48 in)"),
        ("mulch 100 mm deep", "mulch 100 mm (3.9 in) deep"),
        ("the probe at 15 cm", "the probe at 15 cm (6 in)"),
        ("roots to 0.45 m", "roots to 0.45 m (1.5 ft)"),
        ("its 7.2 m² hold 0.72 m³", "its 7.2 m² (78 sq ft) hold 0.72 m³ (0.94 cu yd)"),
        ("8 L an hour, 6.5 L, 64 L", "8 L (2.1 US gal) an hour, 6.5 L (1.7 US gal), 64 L (17 US gal)"),
        ("a can of 10 litres", "a can of 10 liters (2.6 US gal)"),
        ("2.4 kg of beans", "2.4 kg (5.3 lb) of beans"),
        ("23.9 mL in 200 mL", "23.9 mL (0.81 US fl oz) in 200 mL (6.8 US fl oz)"),
        ("-3.0 °C and -40 °C", "-3.0 °C (26.6 °F) and -40 °C (-40 °F)"),
        ("12 mm/h", "12 mm/h (0.5 in/h)"),
        ("0.0 mm", "0.0 mm (0 in)"),
    ] {
        assert_eq!(us(text), expected);
    }
}

#[test]
fn figures_that_are_written_together_are_turned_together() {
    for (text, expected) in [
        ("from 20 to 30 °C", "from 20 to 30 °C (68 to 86 °F)"),
        ("from 22.0 to 18.0 °C by 1:45 pm", "from 22.0 to 18.0 °C (71.6 to 64.4 °F) by 1:45 pm"),
        ("below 4 and above 32 °C", "below 4 and above 32 °C (39.2 and 89.6 °F)"),
        ("(40 mm, 40 mm and 41 mm)", "(40 mm [1.6 in], 40 mm [1.6 in] and 41 mm [1.6 in])"),
        ("4 by 1.8 m", "4 by 1.8 m (13 by 6 ft)"),
    ] {
        assert_eq!(us(text), expected);
    }
}

/// 2 °C of difference are 3.6 °F; fish would die of 35.6.
#[test]
fn a_difference_of_temperatures_is_no_temperature() {
    for (text, expected) in [
        ("the water cooled 4.0 °C within an hour", "the water cooled 4.0 °C (7.2 °F) within an hour"),
        ("should take no more than 2.0 °C.", "should take no more than 2.0 °C (3.6 °F)."),
        ("Let it warm by no more than 2 °C an hour.", "Let it warm by no more than 2 °C (3.6 °F) an hour."),
        ("0.1 °C over the 32 °C that", "0.1 °C (0.2 °F) over the 32 °C (89.6 °F) that"),
        ("They are 10.0 °C apart", "They are 10.0 °C (18.0 °F) apart"),
        ("within 3 °C of the tank's 20.0 °C", "within 3 °C (5.4 °F) of the tank's 20.0 °C (68.0 °F)"),
        ("+0.45 °C an hour", "+0.45 °C (+0.81 °F) an hour"),
        ("The widest swing was 5.1 °C on Friday", "The widest swing was 5.1 °C (9.2 °F) on Friday"),
        ("2.8 °C down and 3.9 °C up", "2.8 °C (5.0 °F) down and 3.9 °C (7.0 °F) up"),
    ] {
        assert_eq!(us(text), expected);
    }
}

#[test]
fn dates_words_and_authorities_are_those_of_the_place() {
    for (text, expected) in [
        ("by Wednesday 18 March, do it", "by Wednesday, March 18, do it"),
        ("Sunday 5 April 2026, 3 pm", "Sunday, April 5, 2026, 3 pm"),
        ("9 am on Friday 10 April", "9 am on Friday, April 10"),
        ("Wed 1 Apr, 9 am: watered", "Wed, Apr 1, 9 am: watered"),
        ("1 to 7 March, April 2026", "March 1 to 7, April 2026"),
        ("Litres of grey water, the colour of mould", "Liters of gray water, the color of mold"),
        ("Grey bed is grey", "Grey bed is gray"),
        ("the meter counts litres_per_hour", "the meter counts litres_per_hour"),
        ("`trug log` of 5 mm: `12 mm`", "`trug log` of 5 mm (0.2 in): `12 mm`"),
        ("Ring your fisheries adviser now", "Call your fisheries advisor now"),
        ("kitchen-15cm in the 5 L tub, 5 L", "kitchen-15cm in the 5 L tub, 5 L (1.3 US gal)"),
        ("0.3 mg/L, 2026-03-18, 9 am, May 5", "0.3 mg/L, 2026-03-18, 9 am, May 5"),
        ("40 % of m³/m³, 3 May", "40 % of m³/m³, May 3"),
    ] {
        assert_eq!(us(text), expected);
    }
}

#[test]
fn a_page_is_turned_where_a_person_reads_it() {
    let page = "<html lang=\"en-AU\"><p title=\"5 mm\" data-x=\"5 mm\">5 mm <code>5 mm</code> <b translate=\"no\">5 mm</b></p>\
                <table><thead><tr><th>Day</th><th>Coldest, °C</th><th>Swing, °C</th><th>Rain (mm), total</th></tr></thead>\
                <tbody><tr><th>Wed 18 Mar</th><td>10.0</td><td>10.0</td><td>5.0, in doubt</td></tr></tbody></table>\
                <p>Warmth, °C</p><td data-label=\"Rain, mm\">5 mm</td>";
    let local = LocalText::new(Locale::EnUs, []);
    let turned = local.html(page.to_owned());
    let expected = "<html lang=\"en-US\"><p title=\"5 mm (0.2 in)\" data-x=\"5 mm\">5 mm (0.2 in) <code>5 mm</code> \
                    <b translate=\"no\">5 mm</b></p>\
                    <table><thead><tr><th>Day</th><th>Coldest, °C (°F)</th><th>Swing, °C (°F)</th>\
                    <th>Rain (mm; in), total</th></tr></thead>\
                    <tbody><tr><th>Wed, Mar 18</th><td>10.0 (50.0)</td><td>10.0 (18.0)</td><td>5.0, in doubt (0.20)</td>\
                    </tr></tbody></table>\
                    <p>Warmth, °C (°F)</p><td data-label=\"Rain, mm (in)\">5 mm (0.2 in)</td>";
    assert_eq!(turned, expected);
    assert_eq!(LocalText::default().html(page.to_owned()), page);
}

proptest! {
    // Words are longer than the sign of a unit: behind a date, "March 10, 2026 g" could be either.
    #[test]
    fn turning_twice_is_turning_once_and_nothing_panics(
        pieces in proptest::collection::vec(
            "[a-z]{4,6}|Grey bed|litres|`5 mm`|[0-9]{1,3} (°C|L|mm|m²|litres|cm|g)|[0-9]\\.[0-9] (to|and) [0-9] (°C|m)\
             |(Friday |)[12][0-9] (March|May)( 2026|)|within [0-9] °C of|[0-9] mg/L|[0-9]{1,2} am",
            0..9,
        ),
        joints in proptest::collection::vec("( |, |\\. | \\(|\\), |; |: )", 9),
    ) {
        let text: String = pieces.iter().zip(&joints).flat_map(|(piece, joint)| [piece.as_str(), joint]).collect();
        for locale in Locale::ALL {
            let local = LocalText::new(locale, ["Grey bed"]);
            let once = local.text(&text).into_owned();
            prop_assert_eq!(local.text(&once).into_owned(), once.clone(), "{}", text);
        }
    }

    #[test]
    fn any_markup_is_turned_without_a_panic(page in "([<>/\"=a-z ]|<td>|</td>|<th>|<table>|5 mm|é){0,60}") {
        let _ = LocalText::new(Locale::EnUs, ["é"]).html(page);
    }
}
