package analysis

// learnedVersion is raised when a learned figure gets another meaning under its
// old name: then what older versions learned is of no use.
const learnedVersion = "1"

// AppendLearned appends what the brake has learned from its raw samples: what a
// restart can't have from the stored cycles. It is kept with the cycle that last
// changed it; see [Brake.RestoreLearned].
func (b *Brake) AppendLearned(dst []byte) []byte { return appendState(dst, b.learned) }

// RestoreLearned puts back what [Brake.AppendLearned] wrote, into a brake with
// the same settings. On an error, which wraps [ErrState], the brake is as it
// was.
func (b *Brake) RestoreLearned(src []byte) error {
	kept := *b
	if err := putBack(src, b.learned); err != nil {
		*b = kept
		return err
	}
	return nil
}

// Restart tells the brake that nothing was heard since its latest sample, for
// the daemon was not running, and that it goes on now. What was under way has
// no end and is given up; what was learned stays, and so does what is known
// over the cycles. Call [Brake.Flush] before to have an open cycle measured on
// what was seen of it.
func (b *Brake) Restart() {
	learned, known := b.AppendLearned(nil), b.record
	*b = begun(b.set)
	b.record = known
	if err := b.RestoreLearned(learned); err != nil {
		b.learnAnew() // can't be: it was written a moment ago
	}
}

// learnAnew forgets what was learned from samples.
func (b *Brake) learnAnew() {
	known := b.record
	*b = begun(b.set)
	b.record = known
}

// learned lists what is learned from samples. A field that is neither here nor
// in record, and is no passing state of the cycle under way, is missing:
// TestEverythingLearnedIsKept tells of it.
func (b *Brake) learned(s *state) {
	s.name('v', learnedVersion)
	s.part("meter", b.meter.learned)
	s.part("drive", b.drive.learned)
	s.part("bounce", b.bounce.learned)
	s.part("released", b.switchr.learned)
	s.part("still", b.still.learned)
	s.part("thermal", b.thermal.learned)
	s.int("bumpAgo", &b.bumpAgo)
	s.bool("driven", &b.driven)
	s.bool("probed", &b.probed)
}

func (m *meter) learned(s *state) {
	s.f64("seenStep", &m.seenStep)
	s.part("set", m.set.learned)
	s.part("free", m.free.learned)
	s.part("ripple", m.ripple.learned)
	s.part("drift", m.drift.learned)
	s.part("seat", m.seat.learned)
	s.part("release", m.release.learned)
	s.part("setting", m.setting.learned)
	s.part("arrives", m.arrives.learned)
	s.part("before", m.before.learned)
	s.f64("bumpMM", &m.bumpMM)
	s.part("short", m.short.learned)
}

func (n *noise) learned(s *state) {
	s.f64s("cov", n.cov[:])
	s.f64s("weight", n.weight[:])
	s.f64("slow", &n.slow)
	s.f64("slows", &n.slows)
}

func (r *rest) learned(s *state) {
	s.part("noise", r.noise.learned)
	s.f64s("off", r.off[:])
	s.f64s("square", r.square[:])
	s.f64s("use", r.use[:])
	s.f64s("n", r.n[:])
	s.int("seen", &r.seen)
}

func (r *ripple) learned(s *state) {
	s.f64("hz", &r.hz)
	s.f64("weight", &r.weight)
	s.f64("power", &r.power)
	s.f64("n", &r.n)
	s.f64("worth", &r.worth)
	s.part("missed", r.missed.learned)
	s.int("looks", &r.looks)
	s.length("spectrum", len(r.spectrum))
	for i := range r.spectrum {
		s.f32("excess", &r.spectrum[i].excess)
		s.f32("n", &r.spectrum[i].n)
	}
}

func (d *drift) learned(s *state) {
	for _, one := range []struct {
		name string
		v    *float64
	}{{"perS", &d.perS}, {"w", &d.w}, {"t", &d.t}, {"x", &d.x}, {"tt", &d.tt}, {"tx", &d.tx}, {"baseMM", &d.baseMM}, {"lastMM", &d.lastMM}} {
		s.f64(one.name, one.v)
	}
	s.i64("lastNS", &d.lastNS)
}

func (e *seat) learned(s *state) {
	s.f64("variance", &e.variance)
	s.f64("n", &e.n)
}

func (c *curve) learned(s *state) {
	s.f64("n", &c.n)
	s.f64s("at", c.at[:])
}

func (a *arrives) learned(s *state) {
	s.f64("s", &a.s)
	s.f64("n", &a.n)
}

func (p *plateaus) learned(s *state) {
	s.f64("setMM", &p.setMM)
	s.f64("freeMM", &p.freeMM)
	s.i64("atNS", &p.atNS)
}

func (f *shortfall) learned(s *state) {
	s.bool("now", &f.now)
	s.bool("standing", &f.standing)
	s.int("run", &f.run)
	s.f64("newMM", &f.newMM)
}

func (c *contact) learned(s *state) {
	s.f64("stepNS", &c.stepNS)
	s.int("repeats", &c.repeats)
}

func (b *bounce) learned(s *state) {
	s.length("log", len(b.log)*len(b.log[0]))
	for i := range b.log {
		for j := range b.log[i] {
			s.f32("log", &b.log[i][j])
		}
	}
	s.f64("n", &b.n)
	s.f64s("next", b.next[:])
}

func (t *still) learned(s *state) {
	s.f64("valueMM", &t.valueMM)
	s.int("run", &t.run)
	s.i64("sinceNS", &t.sinceNS)
	s.f64("alike", &t.alike)
	s.f64("n", &t.n)
	s.bool("frozen", &t.frozen)
}

func (t *thermal) learned(s *state) {
	s.f64("perK", &t.perK)
	s.f64("u", &t.u)
	s.f64("baseMM", &t.baseMM)
	s.f64("lastMM", &t.lastMM)
	s.f64("rests", &t.rests)
	for i := range t.a {
		s.f64s("a", t.a[i][:])
	}
	s.f64("gaps", &t.gaps)
	s.f64("smoothed", &t.smoothed)
	s.f64("slow", &t.slow)
	s.f64("square", &t.square)
}
