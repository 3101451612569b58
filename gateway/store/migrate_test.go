package store

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// anyValue is a value that a column takes, different from row to row.
func anyValue(table, column, kind string, row int64) any {
	switch {
	case column == "brake", column == "id", column == "alarm", column == "forecast", column == "entry":
		return row
	case table == "ledger" && column == "kind":
		return "reading"
	case column == "corrects", column == "after_cycle":
		return nil
	case column == "no_load", column == "with_load", column == "device", table == "ledger" && column == "read":
		return ""
	case table == "alarms" && column == "state":
		return row % 3
	case table == "days" && (column == "full_count" || column == "gaps"):
		return 1
	case strings.HasSuffix(column, "_ns"):
		return startNS + row*dayNS
	case column == "day":
		return dayOf(startNS) + row
	}
	switch kind {
	case "INTEGER":
		return row%2 + 1
	case "REAL":
		return float64(row) + 0.123456789
	case "BLOB":
		return []byte{byte(row), 0, 255}
	}
	return fmt.Sprintf("%s %d", column, row)
}

// wholeContent is every row of every table, as text by the names of its columns.
func wholeContent(t *testing.T, db *sql.DB) map[string][]map[string]string {
	t.Helper()
	query := func(text string) (rows []map[string]string) {
		t.Helper()
		got, err := db.Query(text)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		defer func() { _ = got.Close() }()
		columns, err := got.Columns()
		if err != nil {
			t.Fatal(err)
		}
		for got.Next() {
			values, to := make([]any, len(columns)), make([]any, len(columns))
			for i := range values {
				to[i] = &values[i]
			}
			if err := got.Scan(to...); err != nil {
				t.Fatal(err)
			}
			row := map[string]string{}
			for i, c := range columns {
				row[c] = fmt.Sprintf("%T %v", values[i], values[i])
			}
			rows = append(rows, row)
		}
		if err := got.Err(); err != nil {
			t.Fatal(err)
		}
		return rows
	}
	all := map[string][]map[string]string{}
	for _, table := range query("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY rowid") {
		name := strings.TrimPrefix(table["name"], "string ")
		all[name] = query("SELECT * FROM " + name)
	}
	return all
}

// A database of every schema that there ever was opens, with each row of each of
// its tables as it was, and is read and written from then on.
func TestEveryOlderDatabaseIsBroughtUpToDate(t *testing.T) {
	const rows = 3
	for version := 1; version < newestVersion(); version++ {
		t.Run(fmt.Sprint("schema ", version), func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, databaseName)
			old, err := sql.Open("sqlite", path)
			if err != nil {
				t.Fatal(err)
			}
			if err := migrateUpTo(t, old, version); err != nil {
				t.Fatal(err)
			}
			for table := range wholeContent(t, old) {
				var columns, marks []string
				var kinds []string
				info, err := old.Query("SELECT name, type FROM pragma_table_info(?)", table)
				if err != nil {
					t.Fatal(err)
				}
				for info.Next() {
					var name, kind string
					if err := info.Scan(&name, &kind); err != nil {
						t.Fatal(err)
					}
					columns, kinds, marks = append(columns, name), append(kinds, kind), append(marks, "?")
				}
				if err := info.Err(); err != nil {
					t.Fatal(err)
				}
				for row := range int64(rows) {
					var values []any
					for i, c := range columns {
						values = append(values, anyValue(table, c, kinds[i], row+1))
					}
					if _, err := old.Exec(fmt.Sprintf("INSERT INTO %s (%s) VALUES (%s)", table, strings.Join(columns, ", "), strings.Join(marks, ", ")), values...); err != nil {
						t.Fatalf("%s: %v", table, err)
					}
				}
			}
			before := wholeContent(t, old)
			if err := old.Close(); err != nil {
				t.Fatal(err)
			}

			d := openAt(t, dir)
			if d.SetAside() != "" {
				t.Fatal("it was taken for damaged")
			}
			after := wholeContent(t, d.write)
			for table, was := range before {
				if len(was) != rows || len(after[table]) != rows {
					t.Errorf("%s has %d rows, and had %d", table, len(after[table]), len(was))
				}
				for _, row := range was {
					if !slices.ContainsFunc(after[table], func(now map[string]string) bool {
						for column, value := range row {
							if now[column] != value {
								return false
							}
						}
						return true
					}) {
						t.Errorf("%s had %v, and has %v", table, row, after[table])
					}
				}
			}
			var now int
			if err := d.write.QueryRow("PRAGMA user_version").Scan(&now); err != nil || now != newestVersion() {
				t.Errorf("it has schema %d (%v), want %d", now, err, newestVersion())
			}
			ctx := t.Context()
			if n := len(must(d.CyclesAfter(ctx, 0, 9))) + len(must(d.AlarmsAfter(ctx, 0, 9))) + len(must(d.ForecastsAfter(ctx, 0, 9))) + len(must(d.Verdicts(ctx))); n != 4*rows {
				t.Errorf("%d cycles, alarms, forecasts and verdicts are read, want %d of each", n, rows)
			}
			b := wholeBatch()
			commit(t, d, b)
			if b.Cycles[0].ID != rows+1 || b.Alarms[0].ID != rows+1 {
				t.Errorf("the next cycle is %d and the next alarm %d, want both to go on after %d", b.Cycles[0].ID, b.Alarms[0].ID, rows)
			}
		})
	}
}

// migrateUpTo makes a database as a gapward of an older schema left it.
func migrateUpTo(t *testing.T, db *sql.DB, version int) error {
	t.Helper()
	for i, name := range migrationNames()[:version] {
		if err := migrateOne(t.Context(), db, name, i+1); err != nil {
			return err
		}
	}
	return nil
}
