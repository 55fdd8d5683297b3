//! The phases of a delivery on the recording's clock.

/// Seconds from foot contact to release in the reference tempo: Seroyer et al., Sports Health 2010;2:135-146.
pub(super) const CONTACT_TO_RELEASE_S: f64 = 0.145;

/// Instants that the curves are keyed to, seconds from the start of the recording. They are animation keys: the events
/// of the same names are found in the joints' paths by their own rules and differ by some milliseconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Phases {
    /// The first movement.
    pub start_s: f64,
    /// Lead knee highest.
    pub knee_lift_s: f64,
    /// Lead foot lands.
    pub contact_s: f64,
    /// The ball leaves the hand (exact: this one is the event itself).
    pub release_s: f64,
    /// End of the recording.
    pub end_s: f64,
}

impl Phases {
    /// Share 0 to 1 of the wind-up, from the first movement to knee lift.
    pub(super) fn windup(&self, share: f64) -> f64 {
        self.start_s + share * (self.knee_lift_s - self.start_s)
    }

    /// Share 0 to 1 of the stride, from knee lift to contact.
    pub(super) fn stride(&self, share: f64) -> f64 {
        self.knee_lift_s + share * (self.contact_s - self.knee_lift_s)
    }

    /// Seconds after contact at the reference tempo, stretched to this delivery's.
    pub(super) fn drive(&self, seconds: f64) -> f64 {
        self.contact_s + seconds / CONTACT_TO_RELEASE_S * (self.release_s - self.contact_s)
    }
}
