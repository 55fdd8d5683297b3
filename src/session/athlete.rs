//! One athlete, or several by mistake: what the deliveries say of who threw must go together.

use crate::session::Delivery;
use crate::skeleton::Side;

/// Heights that were given may differ by so much, metres: a slip of one measuring, not another body (common practice).
const GIVEN_HEIGHTS_APART_M: f64 = 0.03;

/// Relative standard deviation of a height that was estimated from joints (as `kinematics` states it).
const ESTIMATED_HEIGHT_SD: f64 = 0.04;

/// Heights further apart than so many standard deviations are two people's.
const TOO_MANY_SD: f64 = 3.0;

/// Masses may differ by this share: clothes and a scale (common practice).
const MASSES_APART: f64 = 0.05;

/// Who threw, as far as a delivery says.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Person {
    /// Throwing side.
    pub throws: Option<Side>,
    /// Body height, metres.
    pub height_m: Option<f64>,
    /// True when it was estimated from the joints.
    pub height_estimated: bool,
    /// Body mass, kilograms.
    pub mass_kg: Option<f64>,
    /// `male` or `female`.
    pub sex: Option<String>,
}

/// Why deliveries do not make a session.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SessionError {
    /// There are none.
    #[error(
        "a session needs a delivery\nhint: give delivery.json files, or folders that `twinmound measure` wrote"
    )]
    Empty,
    /// Two throwing hands.
    #[error(
        "{first} is thrown with the {first_hand} hand, {other} with the {other_hand}\nhint: a session is one athlete's, with one hand: leave the others out, or measure again with --throws if a hand was taken for the wrong one"
    )]
    Hands {
        /// One delivery.
        first: String,
        /// Its hand.
        first_hand: Side,
        /// Another.
        other: String,
        /// Its hand.
        other_hand: Side,
    },
    /// Two bodies, by their height.
    #[error(
        "{first} is of an athlete {first_m:.2} m tall, {other} of one {other_m:.2} m\nhint: a session is one athlete's: leave the others out, or measure again with the right --height-m"
    )]
    Heights {
        /// One delivery.
        first: String,
        /// Its height, metres.
        first_m: f64,
        /// Another.
        other: String,
        /// Its height, metres.
        other_m: f64,
    },
    /// Two bodies, by their mass.
    #[error(
        "{first} is of an athlete of {first_kg:.0} kg, {other} of one of {other_kg:.0} kg\nhint: a session is one athlete's: leave the others out, or measure again with the right --mass-kg"
    )]
    Masses {
        /// One delivery.
        first: String,
        /// Its mass, kilograms.
        first_kg: f64,
        /// Another.
        other: String,
        /// Its mass, kilograms.
        other_kg: f64,
    },
    /// Two tables of body segments.
    #[error(
        "{first} was measured with --sex {first_sex}, {other} with --sex {other_sex}\nhint: a session is one athlete's: leave the others out, or measure again with one --sex"
    )]
    Sexes {
        /// One delivery.
        first: String,
        /// Its table.
        first_sex: String,
        /// Another.
        other: String,
        /// Its table.
        other_sex: String,
    },
    /// One figure in two units.
    #[error(
        "{id} is in {first_unit} in {first}, but in {other_unit} in {other}\nhint: measure both with the same version of the program"
    )]
    Units {
        /// The metric.
        id: String,
        /// One delivery.
        first: String,
        /// Its unit.
        first_unit: String,
        /// Another.
        other: String,
        /// Its unit.
        other_unit: String,
    },
}

/// Checks that all are one athlete's, and says who it is: means of what is given, else of what was estimated.
pub(super) fn one_person(deliveries: &[Delivery]) -> Result<Person, SessionError> {
    let first = deliveries.first().ok_or(SessionError::Empty)?;
    for (i, a) in deliveries.iter().enumerate() {
        for b in &deliveries[i + 1..] {
            same_person(a, b)?;
        }
    }
    let heights = |estimated: bool| {
        mean(
            deliveries
                .iter()
                .filter(|d| d.person.height_estimated == estimated)
                .filter_map(|d| d.person.height_m),
        )
    };
    let given = heights(false);
    Ok(Person {
        throws: deliveries.iter().find_map(|d| d.person.throws),
        height_m: given.or_else(|| heights(true)),
        height_estimated: given.is_none() && deliveries.iter().any(|d| d.person.height_m.is_some()),
        mass_kg: mean(deliveries.iter().filter_map(|d| d.person.mass_kg)),
        sex: first
            .person
            .sex
            .clone()
            .or_else(|| deliveries.iter().find_map(|d| d.person.sex.clone())),
    })
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

fn same_person(a: &Delivery, b: &Delivery) -> Result<(), SessionError> {
    let (first, other) = (a.name.clone(), b.name.clone());
    let (p, q) = (&a.person, &b.person);
    if let (Some(first_hand), Some(other_hand)) = (p.throws, q.throws)
        && first_hand != other_hand
    {
        return Err(SessionError::Hands {
            first,
            first_hand,
            other,
            other_hand,
        });
    }
    if let (Some(first_sex), Some(other_sex)) = (&p.sex, &q.sex)
        && first_sex != other_sex
    {
        return Err(SessionError::Sexes {
            first,
            first_sex: first_sex.clone(),
            other,
            other_sex: other_sex.clone(),
        });
    }
    if let (Some(first_m), Some(other_m)) = (p.height_m, q.height_m)
        && (first_m - other_m).abs() > heights_may_differ_m(p, q, first_m.max(other_m))
    {
        return Err(SessionError::Heights {
            first,
            first_m,
            other,
            other_m,
        });
    }
    if let (Some(first_kg), Some(other_kg)) = (p.mass_kg, q.mass_kg)
        && (first_kg - other_kg).abs() > MASSES_APART * first_kg.max(other_kg)
    {
        return Err(SessionError::Masses {
            first,
            first_kg,
            other,
            other_kg,
        });
    }
    Ok(())
}

fn heights_may_differ_m(a: &Person, b: &Person, height_m: f64) -> f64 {
    let estimated = [a, b].iter().filter(|p| p.height_estimated).count();
    GIVEN_HEIGHTS_APART_M + TOO_MANY_SD * ESTIMATED_HEIGHT_SD * height_m * (estimated as f64).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(name: &str, change: impl FnOnce(&mut Person)) -> Delivery {
        let mut person = Person {
            throws: Some(Side::Right),
            height_m: Some(1.84),
            height_estimated: false,
            mass_kg: Some(82.0),
            sex: Some("male".to_owned()),
        };
        change(&mut person);
        Delivery {
            name: name.to_owned(),
            person,
            figures: Vec::new(),
        }
    }

    #[test]
    fn two_athletes_are_told_apart() {
        let first = of("a", |_| {});
        let refused = |other: Delivery| one_person(&[first.clone(), other]).unwrap_err();
        assert!(matches!(
            refused(of("b", |p| p.throws = Some(Side::Left))),
            SessionError::Hands { .. }
        ));
        assert!(matches!(
            refused(of("b", |p| p.height_m = Some(1.70))),
            SessionError::Heights { .. }
        ));
        assert!(matches!(
            refused(of("b", |p| p.mass_kg = Some(60.0))),
            SessionError::Masses { .. }
        ));
        assert!(matches!(
            refused(of("b", |p| p.sex = Some("female".to_owned()))),
            SessionError::Sexes { .. }
        ));
        assert_eq!(one_person(&[]), Err(SessionError::Empty));
    }

    #[test]
    fn estimates_scatter_and_gaps_are_no_contradiction() {
        let estimated = |name, height_m| {
            of(name, |p| {
                p.height_m = Some(height_m);
                p.height_estimated = true;
                p.mass_kg = None;
                p.throws = None;
            })
        };
        let person = one_person(&[estimated("a", 1.78), of("b", |_| {}), estimated("c", 1.95)]).unwrap();
        assert_eq!((person.height_m, person.height_estimated), (Some(1.84), false));
        assert_eq!(person.throws, Some(Side::Right));
        let person = one_person(&[estimated("a", 1.80), estimated("b", 1.90)]).unwrap();
        assert_eq!((person.height_m, person.height_estimated), (Some(1.85), true));
        assert!(one_person(&[estimated("a", 1.40), estimated("b", 1.90)]).is_err());
    }
}
