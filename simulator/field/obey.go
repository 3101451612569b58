package field

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"gapward/simulator"
)

// Obey reads commands, one a line, as [simulator.ParseCommand] knows them, and
// carries each out at once; help lists the faults. Every line gets one line in
// answer, empty lines and those that begin with # none.
//
// It returns nil when the commands have ended or ctx has, and the error of a
// reader or writer that failed. As a read can't be broken off, a goroutine may
// stay behind in the last one.
func (f *Field) Obey(ctx context.Context, in io.Reader, out io.Writer) error {
	lines, failed := make(chan string), make(chan error, 1)
	go func() {
		s := bufio.NewScanner(in)
		for s.Scan() {
			select {
			case lines <- s.Text():
			case <-ctx.Done():
				return
			}
		}
		failed <- s.Err()
	}()
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-failed:
			if err != nil && ctx.Err() == nil {
				return fmt.Errorf("reading commands: %w", err)
			}
			return nil
		case line := <-lines:
			answer := f.obey(line)
			if answer == "" {
				continue
			}
			if _, err := fmt.Fprintf(out, "%s %s\n", f.now().UTC().Format(time.TimeOnly), answer); err != nil {
				return fmt.Errorf("answering a command: %w", err)
			}
		}
	}
}

// obey carries out one line and says what became of it.
func (f *Field) obey(line string) string {
	line = strings.Join(strings.Fields(line), " ")
	switch {
	case line == "" || line[0] == '#':
		return ""
	case line == "help" || line == "?":
		return "write FAULT BRAKE [AMOUNT] [lasts DURATION], or off FAULT BRAKE; the faults are " + faultList()
	}
	ev, err := simulator.ParseCommand(line)
	if err == nil {
		err = f.Apply(ev)
	}
	if err != nil {
		return fmt.Sprintf("%s: not done: %v", line, err)
	}
	return line + ": done"
}

func faultList() string {
	var names []string
	for _, fault := range simulator.Faults() {
		names = append(names, string(fault))
	}
	return strings.Join(names, ", ")
}
