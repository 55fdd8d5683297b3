//! What explains what: which finding to work on first, and in which order the others follow.

use crate::findings::judge::Verdict;
use crate::findings::rules::Rule;

/// A rule that fired.
pub(super) struct Fired<'a> {
    pub(super) rule: &'a Rule,
    pub(super) verdict: Verdict,
}

/// Whether `cause` explains `effect`, directly as the rules say.
pub(super) fn explains(cause: &Rule, effect: &Rule) -> bool {
    cause.explains.contains(&effect.id)
}

/// The fired faults in the order in which they are told, and whether the first of them is the one to work on first.
///
/// First comes a root: one that may be first and that nothing explains which may be first itself; of several roots a very
/// likely one before a likely one, then as the rules stand, from the ground up. What it explains follows, causes before
/// effects, then the rest.
pub(super) fn ordered(fired: Vec<Fired<'_>>) -> (Vec<Fired<'_>>, bool) {
    let may_be: Vec<bool> = fired.iter().map(|f| f.verdict.may_be_first()).collect();
    let root = |i: usize| {
        may_be[i]
            && !fired
                .iter()
                .zip(&may_be)
                .any(|(other, may)| *may && explains(other.rule, fired[i].rule))
    };
    let mut roots: Vec<usize> = (0..fired.len()).filter(|i| root(*i)).collect();
    // A stable sort: equally sure ones stay in the rules' order.
    roots.sort_by_key(|i| std::cmp::Reverse(fired[*i].verdict.sureness()));
    let Some(&first) = roots.first() else {
        return (fired, false);
    };
    let mut follows = vec![first];
    let mut at = 0;
    while let Some(&cause) = follows.get(at) {
        for i in 0..fired.len() {
            if !follows.contains(&i) && explains(fired[cause].rule, fired[i].rule) {
                follows.push(i);
            }
        }
        at += 1;
    }
    follows.sort_unstable();
    let mut places = vec![first];
    // Causes before effects; the rules stand in no circle, so there is always a next one.
    while let Some(next) = follows.iter().copied().find(|i| {
        let open = |j: &&usize| !places.contains(j) && *j != i;
        !places.contains(i)
            && !follows
                .iter()
                .filter(open)
                .any(|j| explains(fired[*j].rule, fired[*i].rule))
    }) {
        places.push(next);
    }
    for i in 0..fired.len() {
        if !places.contains(&i) {
            places.push(i);
        }
    }
    let mut left: Vec<Option<Fired<'_>>> = fired.into_iter().map(Some).collect();
    let told = places.into_iter().filter_map(|i| left[i].take()).collect();
    (told, true)
}
