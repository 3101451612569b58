// Command idle holds the libraries that gapward is made of, ready for use and
// doing nothing: what a process costs before it has a brake. The argument is a
// directory for a database. It prints "idle" and waits to be stopped.
package main

import (
	"database/sql"
	"fmt"
	"html/template"
	"io"
	"net"
	"net/http"
	"os"
	"os/signal"
	"path/filepath"

	"github.com/alecthomas/kong"
	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/goburrow/modbus"
	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/common/expfmt"
	"github.com/wneessen/go-mail"
	"go.bug.st/serial"
	"go.yaml.in/yaml/v3"
	"golang.org/x/crypto/argon2"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
	_ "modernc.org/sqlite"
)

func main() {
	if err := run(os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run(dir string) error {
	// As many connections as gapward has: two that write and four that read.
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "idle.db")+"?_pragma=journal_mode(WAL)")
	if err != nil {
		return err
	}
	db.SetMaxIdleConns(6)
	if _, err := db.Exec("CREATE TABLE t (id INTEGER PRIMARY KEY, v REAL)"); err != nil {
		return err
	}
	conns := make([]*sql.Rows, 6)
	for i := range conns {
		if conns[i], err = db.Query("SELECT count(*) FROM t"); err != nil {
			return err
		}
	}
	for _, c := range conns {
		if err := c.Close(); err != nil {
			return err
		}
	}
	// Used once each, so that the linker leaves in what gapward has too.
	p := plot.New()
	line, err := plotter.NewLine(plotter.XYs{{X: 1, Y: 2}, {X: 3, Y: 4}})
	if err != nil {
		return err
	}
	p.Add(line)
	p.Draw(draw.New(vgsvg.New(300, 200)))
	page, err := template.New("page").Parse("<p>{{.Name}} {{.Mode}}</p>")
	if err != nil {
		return err
	}
	self, err := os.Stat(os.Args[0])
	if err != nil {
		return err
	}
	if err := page.Execute(io.Discard, self); err != nil {
		return err
	}
	var flags struct{ Data string }
	parser, err := kong.New(&flags)
	if err != nil {
		return err
	}
	if _, err := parser.Parse([]string{"--data", dir}); err != nil {
		return err
	}
	reg := prometheus.NewRegistry()
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	held := []any{
		paho.NewClient(paho.NewClientOptions()), modbus.NewTCPClientHandler("127.0.0.1:1"), influxdb2.NewClient("http://127.0.0.1:1", ""),
		mochi.New(nil), mail.NewMsg(), &serial.Mode{}, yaml.NewDecoder(os.Stdin), p, parser, argon2.IDKey,
	}
	go func() { _ = http.Serve(listener, http.NotFoundHandler()) }()
	families, err := reg.Gather()
	if err != nil {
		return err
	}
	for _, f := range families {
		if _, err := expfmt.MetricFamilyToText(io.Discard, f); err != nil {
			return err
		}
	}
	fmt.Println("idle")
	stop := make(chan os.Signal, 1)
	signal.Notify(stop, os.Interrupt)
	<-stop
	fmt.Println(len(held))
	return nil
}
