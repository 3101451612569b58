package commission

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"gapward/alerts"
	"gapward/analysis"
)

// ErrNobody is the error when the answers end before the questions do.
var ErrNobody = errors.New("the answers ended before the questions did; use --auto where there is nobody to ask")

// answers reads what a person types, a line at a time.
type answers struct {
	lines chan string
	ended chan struct{}
}

// listen reads lines until in ends. A read can't be broken off: it may stay
// behind when ctx ends.
func listen(ctx context.Context, in io.Reader) *answers {
	a := &answers{make(chan string), make(chan struct{})}
	go func() {
		defer close(a.ended)
		for s := bufio.NewScanner(in); s.Scan(); {
			select {
			case a.lines <- strings.TrimSpace(s.Text()):
			case <-ctx.Done():
				return
			}
		}
	}()
	return a
}

func (a *answers) next(ctx context.Context) (string, error) {
	select {
	case line := <-a.lines:
		return line, nil
	case <-a.ended:
		return "", ErrNobody
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// ask puts a question and waits for the answer.
func (s *session) ask(ctx context.Context, a *answers, format string, args ...any) (string, error) {
	fmt.Fprintf(s.opt.Out, format+" ", args...)
	return a.next(ctx)
}

// stillFor is how long a standing hoist is looked at.
const stillFor = 2 * time.Second

// walk goes through the brakes with a person who runs the hoists.
func (s *session) walk(ctx context.Context) error {
	if s.opt.In == nil {
		return ErrNobody
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	a := listen(ctx, s.opt.In)
	s.say("Commissioning %s by %s. gapward only reads; you run the hoists.", s.site.Name, s.site.File())
	for _, c := range alerts.Cautions() {
		s.say("  - %s", c)
	}
	for s.opt.By == "" {
		name, err := s.ask(ctx, a, "\nYour name, for the record:")
		if err != nil {
			return err
		}
		s.opt.By = name
	}
	brakes := s.brakes()
	for i, b := range brakes {
		s.say("\n%d of %d: %s", i+1, len(brakes), b.name)
		if err := s.walkBrake(ctx, a, b); err != nil {
			return err
		}
	}
	return nil
}

// walkBrake asks for what one brake needs.
func (s *session) walkBrake(ctx context.Context, a *answers, b brakeID) error {
	line, err := s.ask(ctx, a, "Is the load landed, the hook secured, and does the hoist stand with its brakes set? Enter for yes, s to skip this brake:")
	if err != nil {
		return err
	}
	if strings.EqualFold(line, "s") {
		s.say("Skipped; what isn't seen isn't proven.")
		return nil
	}
	s.say("Leave it standing for a moment …")
	from := time.Now().UnixNano()
	if err := sleep(ctx, stillFor); err != nil {
		return err
	}
	s.g.heldStill(b.index, from, time.Now().UnixNano())
	s.say("Now run this brake's drive a short way, %d times, two seconds or more each, and let it stand for three seconds in between. Enter ends it early.", s.opt.Cycles+1)
	if err := s.count(ctx, a, b); err != nil {
		return err
	}
	return s.askGauge(ctx, a, b)
}

// count waits for the cycles of a brake and tells how many there are.
func (s *session) count(ctx context.Context, a *answers, b brakeID) error {
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	patience := time.NewTimer(s.opt.Patience)
	defer patience.Stop()
	before, _ := s.g.driven(b.index)
	told := 0
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-a.lines:
			return nil
		case <-patience.C:
			s.say("No more is waited for.")
			return nil
		case <-look.C:
		}
		n, _ := s.g.driven(b.index)
		if n-before > told {
			told = n - before
			s.say("  %s", plural(told, "cycle"))
		}
		if told >= s.opt.Cycles+1 {
			s.say("Thank you; let it stand.")
			return sleep(ctx, settleFor)
		}
	}
}

// askGauge asks for depths until an empty line.
func (s *session) askGauge(ctx context.Context, a *answers, b brakeID) error {
	s.say("Depth gauge, mm: brake set, then released, such as 42.10 40.05. A line for each repeat, three or more if you can; Enter ends.")
	var pairs [][2]float64
	for {
		line, err := s.ask(ctx, a, "  set released:")
		if err != nil {
			return err
		}
		if line == "" {
			break
		}
		pair, err := ParseDepths(line)
		if err != nil {
			s.say("  %v", err)
			continue
		}
		pairs = append(pairs, pair)
	}
	if len(pairs) == 0 {
		return nil
	}
	h := handReading(pairs, s.opt.GaugeUMM)
	if _, err := h.Evaluate(); err != nil {
		s.say("  %v; they are kept, and prove nothing.", err)
	}
	s.g.measured(b.index, h)
	return nil
}

// ParseDepths reads two depths, brake set and released, mm. A comma may stand
// for the point where a space or a semicolon parts the two.
func ParseDepths(line string) (pair [2]float64, err error) {
	words := strings.FieldsFunc(line, func(r rune) bool { return r == ' ' || r == ';' || r == '\t' })
	if len(words) == 1 && strings.Count(line, ",") == 1 {
		words = strings.Split(line, ",")
	}
	if len(words) != 2 {
		return pair, fmt.Errorf("%q must be two depths in mm, brake set and released, such as 42.10 40.05", line)
	}
	for i, w := range words {
		v, err := strconv.ParseFloat(strings.Replace(w, ",", ".", 1), 64)
		if err != nil || !(v >= 0 && v < 1e4) {
			return pair, fmt.Errorf("%q is no depth in mm", w)
		}
		pair[i] = v
	}
	return pair, nil
}

func handReading(pairs [][2]float64, uMM float64) analysis.HandReading {
	h := analysis.HandReading{InstrumentUMM: uMM}
	for _, p := range pairs {
		h.StillMM, h.RunningMM = append(h.StillMM, p[0]), append(h.RunningMM, p[1])
	}
	return h
}

// readGauge takes the depths that were given beforehand.
func (s *session) readGauge() error {
	for name, pairs := range s.opt.Gauge {
		i := s.site.BrakeIndex(name)
		if i < 0 {
			return fmt.Errorf("a gauge reading is given for %q, and there is no brake of that name in %s", name, s.site.File())
		}
		h := handReading(pairs, s.opt.GaugeUMM)
		if _, err := h.Evaluate(); err != nil {
			return fmt.Errorf("the gauge readings of %s: %w", name, err)
		}
		s.g.measured(int32(i), h)
	}
	return nil
}
