package store

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"testing"
	"time"
)

// killedDir, in the environment, makes the test binary the process that is
// killed: it commits to the database there until then.
const killedDir = "GAPWARD_TEST_KILLED_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(killedDir); dir != "" {
		fmt.Fprintln(os.Stderr, commitUntilKilled(dir))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// commitUntilKilled prints the highest id of every commit that it was told is
// durable. Batches of one to five cycles go on after what is there.
func commitUntilKilled(dir string) error {
	ctx := context.Background()
	d, err := Open(ctx, dir, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	newest, err := d.Newest(ctx)
	if err != nil {
		return err
	}
	next := int(newest.Cycle)
	for {
		b := Batch{Alarms: wholeBatch().Alarms[:1], Verdicts: wholeBatch().Verdicts}
		for range 1 + rand.IntN(5) {
			b.Cycles = append(b.Cycles, cycleAt(mainBrake, next))
			next++
		}
		if err := d.Commit(ctx, &b); err != nil {
			return err
		}
		if _, err := fmt.Println(b.Cycles[len(b.Cycles)-1].ID); err != nil {
			return err
		}
	}
}

// TestKilled kills a committing process at random moments, twenty times on one
// database. Whatever it was told is durable must be there, to the bit, with
// neither holes nor halves.
func TestKilled(t *testing.T) {
	dir := t.TempDir()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	var promised int64
	rounds := 20
	if testing.Short() {
		rounds = 3
	}
	for round := range rounds {
		cmd := exec.CommandContext(t.Context(), self)
		cmd.Env = append(os.Environ(), killedDir+"="+dir)
		cmd.Stderr = t.Output()
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		if !lines.Scan() { // it is under way
			t.Fatalf("round %d: the process committed nothing: %v", round, cmd.Wait())
		}
		killer := time.AfterFunc(time.Duration(rand.Int64N(int64(60*time.Millisecond))), func() { _ = cmd.Process.Kill() })
		for ok := true; ok; ok = lines.Scan() {
			id, err := strconv.ParseInt(lines.Text(), 10, 64)
			if err != nil {
				break // the kill cut the line
			}
			promised = max(promised, id)
		}
		killer.Stop()
		if err := cmd.Wait(); err == nil {
			t.Fatalf("round %d: the process ended by itself", round)
		}

		d := openAt(t, dir)
		if d.SetAside() != "" {
			t.Fatalf("round %d: the database is damaged", round)
		}
		got := must(d.CyclesAfter(t.Context(), 0, 1<<30))
		if int64(len(got)) < promised {
			t.Fatalf("round %d: %d cycles are there, %d were promised", round, len(got), promised)
		}
		for i, c := range got {
			want := cycleAt(mainBrake, i)
			want.ID = int64(i) + 1
			if !same(c, want) {
				t.Fatalf("round %d: cycle %d is %+v, want %+v", round, i+1, c, want)
			}
		}
		if full, _ := must2(d.Counts(t.Context(), mainBrake, 0)); full != int64(len(got)) {
			t.Fatalf("round %d: %d cycles counted, %d there", round, full, len(got))
		}
		if err := d.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if promised < int64(rounds) {
		t.Errorf("only %d cycles were promised in %d rounds", promised, rounds)
	}
	t.Logf("%d cycles promised over %d kills, all there", promised, rounds)
}
