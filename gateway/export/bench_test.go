package export

import (
	"context"
	"database/sql"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"gapward/gateway/store"
)

// libraries is the floor: the libraries as they are, with a table and points for
// nothing but these cycles. It keeps what a cycle is worth: durable at commit
// (WAL, synchronous FULL), keyed by brake and time, and numbered.
type libraries struct {
	db     *sql.DB
	insert *sql.Stmt
	client influxdb2.Client
	write  api.WriteAPIBlocking
	next   int64
}

func newLibraries(b *testing.B, url string) *libraries {
	b.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(b.TempDir(), "plain.db")+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_txlock=immediate")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = db.Close() })
	db.SetMaxOpenConns(1)
	if _, err := db.Exec(`CREATE TABLE cycles (brake INTEGER NOT NULL, at_ns INTEGER NOT NULL, id INTEGER NOT NULL, on_ns INTEGER, kind INTEGER, flags INTEGER,
		gap REAL, gap_u REAL, gap_u_cal REAL, release REAL, release_u REAL, "set" REAL, set_u REAL, set_level REAL, released_level REAL, temperature REAL,
		PRIMARY KEY (brake, at_ns)) STRICT, WITHOUT ROWID; CREATE UNIQUE INDEX by_id ON cycles (id)`); err != nil {
		b.Fatal(err)
	}
	insert, err := db.Prepare("INSERT INTO cycles VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)")
	if err != nil {
		b.Fatal(err)
	}
	client := influxdb2.NewClientWithOptions(url, "", influxdb2.DefaultOptions().SetPrecision(time.Nanosecond))
	b.Cleanup(client.Close)
	return &libraries{db: db, insert: insert, client: client, write: client.WriteAPIBlocking("", "hoists")}
}

func (p *libraries) store(b *testing.B, rows []store.CycleRow) {
	tx, err := p.db.Begin()
	if err != nil {
		b.Fatal(err)
	}
	st := tx.Stmt(p.insert)
	for i := range rows {
		r := &rows[i]
		p.next++
		if _, err := st.Exec(int64(len(r.Brake)), r.AtNS, p.next, r.OnNS, int64(r.Kind), int64(r.Flags), r.GapMM, r.GapUMM, r.GapUCalMM,
			r.ReleaseS, r.ReleaseUS, r.SetS, r.SetUS, r.SetLevelMM, r.ReleasedLevelMM, nil); err != nil {
			b.Fatal(err)
		}
	}
	if err := tx.Commit(); err != nil {
		b.Fatal(err)
	}
}

func (p *libraries) export(b *testing.B, rows []store.CycleRow) {
	for len(rows) > 0 {
		part := rows[:min(batchSize, len(rows))]
		rows = rows[len(part):]
		points := make([]*write.Point, 0, len(part))
		for _, r := range part {
			point := write.NewPointWithMeasurement("gapward_cycle").SetTime(time.Unix(0, r.AtNS)).AddTag("site", site).AddTag("brake", r.Brake)
			point.AddField("id", r.ID).AddField("kind", r.Kind.String()).AddField("flags", strings.Join(r.Flags.Names(), ","))
			for _, f := range cycleFields(r) {
				if f.value-f.value == 0 { // neither NaN nor infinite
					point.AddField(f.name, f.value)
				}
			}
			points = append(points, point)
		}
		if err := p.write.WritePoint(context.Background(), points...); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkDelivered measures cycles stored durably and exported to InfluxDB's
// protocol, by turns with the bare libraries in the same run, so that other
// load on the machine takes its share of both. The far end is in this process
// and throws all away.
//
// The ratios are what counts: time of ours over that of the floor, for storing,
// for exporting, and for both. They are of the medians over the turns, for a
// disk that others use is slow now and then.
func BenchmarkDelivered(b *testing.B) {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		w.WriteHeader(http.StatusNoContent)
	}))
	b.Cleanup(srv.Close)
	for _, perCommit := range []int{1, 20, 100} {
		b.Run(fmt.Sprintf("by%d", perCommit), func(b *testing.B) {
			db := openStore(b)
			x, err := NewInflux(InfluxSettings{URL: srv.URL, Bucket: "hoists"}, site)
			if err != nil {
				b.Fatal(err)
			}
			b.Cleanup(x.Close)
			floor := newLibraries(b, srv.URL)
			var floorStore, floorExport, ourStore, ourExport []time.Duration
			spent := func(on *[]time.Duration, do func()) {
				began := time.Now()
				do()
				*on = append(*on, time.Since(began))
			}
			median := func(of ...[]time.Duration) float64 {
				sums := make([]time.Duration, len(of[0]))
				for _, list := range of {
					for i, d := range list {
						sums[i] += d
					}
				}
				slices.Sort(sums)
				return sums[len(sums)/2].Seconds()
			}
			turn := min(batchSize, 100*perCommit) // of few commits, so that both take part in whatever else goes on
			n := 0
			for b.Loop() {
				rows := make([]store.CycleRow, turn)
				for i := range rows {
					rows[i] = cycleAt(mainBrake, 0)
					rows[i].AtNS += int64(n+i) * int64(time.Second)
				}
				n += turn
				spent(&floorStore, func() {
					for i := 0; i < turn; i += perCommit {
						floor.store(b, rows[i:i+perCommit])
					}
				})
				spent(&floorExport, func() { floor.export(b, rows) })
				spent(&ourStore, func() {
					for i := 0; i < turn; i += perCommit {
						commit(b, db, &store.Batch{Cycles: rows[i : i+perCommit]})
					}
				})
				spent(&ourExport, func() {
					if err := Flush(context.Background(), db, x, quiet(), ignore); err != nil {
						b.Fatal(err)
					}
				})
			}
			b.ReportMetric(float64(turn)/median(ourStore, ourExport), "cycles/s")
			b.ReportMetric(float64(turn)/median(floorStore, floorExport), "floor-cycles/s")
			b.ReportMetric(median(ourStore)/median(floorStore), "x-stored")
			b.ReportMetric(median(ourExport)/median(floorExport), "x-exported")
			b.ReportMetric(median(ourStore, ourExport)/median(floorStore, floorExport), "x-both")
		})
	}
}
