package export

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gapward/alerts"
	"gapward/gateway/store"
)

// Sparkplug publishes to a broker after Eclipse Sparkplug 3.0 (ISO/IEC 20237),
// namespace spBv1.0, as an edge node whose devices are the brakes:
//
//	spBv1.0/GROUP/NBIRTH/NODE         birth of the gateway; its death is the last will
//	spBv1.0/GROUP/DBIRTH/NODE/BRAKE   every metric of a brake, with its latest value
//	spBv1.0/GROUP/DDATA/NODE/BRAKE    a cycle, verdict, forecast or alarm
//	spBv1.0/GROUP/DDEATH/NODE/BRAKE   no signal of the brake is heard any more; the next is a birth
//	spBv1.0/GROUP/NDATA/NODE          an alarm of the gateway or of a device it reads
//	spBv1.0/GROUP/NCMD/NODE           heard: Node Control/Rebirth, and nothing else
//
// A row from before the latest birth of its device is marked as historical. The standard
// sends data with QoS 0, which nobody acknowledges; so after every delivery the
// broker is asked for an answer on the same connection, and having given it, it
// has read all that came before. What it then does for its subscribers is QoS 0
// still: for proof of delivery there is [MQTT].
//
// Devices take no commands: gapward subscribes to none and writes to no field
// device.
type Sparkplug struct {
	broker  broker
	names   sparkplugNames
	primary string // host application to wait for; empty: none
	brakes  []BrakeInfo
	alarms  []alerts.Key // of the gateway and its devices
	lg      *slog.Logger
	link    *link[*node]
	now     func() time.Time
	silent  silences

	db *store.DB // for births; set by Restore, before Run
}

// node is one life of the edge node, from a birth on a connection to its death.
type node struct {
	*session
	asked chan struct{} // a rebirth is asked for

	mu      sync.Mutex              // held while messages go out, so that their numbers are in order
	seq     uint8                   // of the next message
	born    store.Newest            // rows up to here were told by the latest birth …
	devices map[string]store.Newest // … and by that of each brake that is alive
}

// NewSparkplug makes the sink; [Sparkplug.Run] connects it.
func NewSparkplug(s SparkplugSettings, site string, brakes []BrakeInfo, devices []string, lg *slog.Logger) (*Sparkplug, error) {
	b, err := newBroker("export.sparkplug.password_file", s.URL, s.User, s.PasswordFile, s.ClientID)
	if err != nil {
		return nil, err
	}
	var of []string
	for _, i := range brakes {
		of = append(of, i.Name)
	}
	names, err := newSparkplugNames(s, site, of)
	if err != nil {
		return nil, err
	}
	x := &Sparkplug{broker: b, names: names, primary: s.PrimaryHost, brakes: brakes, alarms: nodeAlarms(devices), lg: lg.With("exporter", "sparkplug"), now: time.Now}
	x.link = newLink(b.url, x.lg, x.connect, x.die)
	return x, nil
}

// Name implements [Sink].
func (x *Sparkplug) Name() string { return "sparkplug" }

// Wants implements [Sink].
func (x *Sparkplug) Wants() Wants {
	return Wants{Cycles: true, Verdicts: true, Forecasts: true, Alarms: true}
}

// Restore says where births find what stands. It comes before [Sparkplug.Run].
func (x *Sparkplug) Restore(_ context.Context, db *store.DB) error {
	x.db = db
	return nil
}

// Run holds a connection to the broker until ctx ends; then it publishes its
// death and returns nil.
func (x *Sparkplug) Run(ctx context.Context) error { return x.link.run(ctx) }

// birthNumber is the cursor that keeps the number of the latest connection, so
// that a will of an earlier process, carried out late, is not taken for the
// death of this one.
const birthNumber = "sparkplug/bdseq"

func (x *Sparkplug) nextBirth(ctx context.Context) (uint8, error) {
	before, err := x.db.Cursor(ctx, birthNumber)
	if err != nil {
		return 0, err
	}
	next := uint8(before) + 1 // after 255 comes 0
	return next, x.db.SetCursor(ctx, birthNumber, int64(next))
}

// connect makes a connection, waits for the primary host where one is named,
// and gives birth.
func (x *Sparkplug) connect(ctx context.Context) (*node, error) {
	bdSeq, err := x.nextBirth(ctx)
	if err != nil {
		return nil, err
	}
	s, err := x.broker.connect(ctx, x.names.node("NDEATH"), x.death(bdSeq), false)
	if err != nil {
		return nil, err
	}
	n := &node{session: s, asked: make(chan struct{}, 1)}
	if err := x.begin(ctx, n, bdSeq); err != nil {
		// In order, and with its death told: others may have seen the birth.
		x.die(n)
		return nil, fmt.Errorf("beginning on %s: %w", x.broker.url, err)
	}
	go x.rebirths(n, bdSeq)
	go x.deaths(n)
	return n, nil
}

func (x *Sparkplug) begin(ctx context.Context, n *node, bdSeq uint8) error {
	if err := x.listen(ctx, n); err != nil {
		return err
	}
	if x.primary != "" {
		if err := x.awaitPrimary(ctx, n); err != nil {
			return err
		}
	}
	ctx, cancel := context.WithTimeout(ctx, deliverLimit)
	defer cancel()
	return x.birth(ctx, n, bdSeq)
}

// listen subscribes to the commands to the node. It is also what shows that the
// broker has read all that was sent before, for it answers in order.
func (x *Sparkplug) listen(ctx context.Context, n *node) error {
	return n.wait(ctx, n.client.Subscribe(x.names.node("NCMD"), 1, func(_ paho.Client, msg paho.Message) {
		asked, err := asksForRebirth(msg.Payload())
		switch {
		case err != nil:
			x.lg.Warn("a command can't be read", "topic", msg.Topic(), "error", err)
		case !asked:
			x.lg.Warn("a command other than for rebirth is ignored", "topic", msg.Topic())
		case msg.Retained():
			x.lg.Warn("a retained command is ignored: it would come again at every start", "topic", msg.Topic())
		default:
			select {
			case n.asked <- struct{}{}:
			default: // one is asked for already
			}
		}
	}))
}

// awaitPrimary waits until the primary host says that it is online, and has the
// connection end once it says otherwise.
func (x *Sparkplug) awaitPrimary(ctx context.Context, n *node) error {
	online := make(chan struct{})
	var told sync.Once
	var latest int64
	err := n.wait(ctx, n.client.Subscribe("spBv1.0/STATE/"+x.primary, 1, func(_ paho.Client, msg paho.Message) {
		var state struct {
			Online    bool  `json:"online"`
			Timestamp int64 `json:"timestamp"`
		}
		if err := json.Unmarshal(msg.Payload(), &state); err != nil {
			x.lg.Warn("the primary host's state can't be read", "topic", msg.Topic(), "error", err)
			return
		}
		if state.Timestamp < latest {
			return // of an earlier connection of the host's, carried out late
		}
		latest = state.Timestamp
		if state.Online {
			told.Do(func() { close(online) })
			return
		}
		select {
		case <-online:
			x.lg.Warn("the primary host went offline; rows are kept until it is back", "host", x.primary)
			go x.die(n) // not from here, where the client waits for this handler
		default:
		}
	}))
	if err != nil {
		return err
	}
	x.link.note(fmt.Errorf("the primary host %s is not online", x.primary))
	select {
	case <-online:
		return nil
	case <-n.lost:
		return errors.New("the connection was lost while waiting for the primary host")
	case <-ctx.Done():
		return ctx.Err()
	}
}

// rebirths gives birth anew whenever a host asks for it, until the connection
// is over.
func (x *Sparkplug) rebirths(n *node, bdSeq uint8) {
	for {
		select {
		case <-n.lost:
			return
		case <-n.asked:
		}
		ctx, cancel := context.WithTimeout(context.Background(), deliverLimit)
		err := x.birth(ctx, n, bdSeq)
		cancel()
		if err != nil {
			x.lg.Warn("the birth that a host asked for failed; connecting anew", "error", err)
			n.leave(0)
			return
		}
		x.lg.Info("gave birth anew, as a host asked for it")
	}
}

// death is the death certificate, which has no sequence number.
func (x *Sparkplug) death(bdSeq uint8) []byte {
	now := x.now()
	return spPayload{atMS: now.UnixMilli(), seq: -1,
		metrics: at(now.UnixNano(), []metric{{name: "bdSeq", kind: typeInt64, whole: int64(bdSeq)}})}.append(nil)
}

// die publishes what the last will would, for a client that leaves in order has
// none, and ends the connection.
func (x *Sparkplug) die(n *node) {
	select {
	case <-n.lost:
		n.leave(0) // the last will tells it
		return
	default:
	}
	bdSeq, err := x.db.Cursor(context.Background(), birthNumber)
	if err == nil {
		ctx, cancel := context.WithTimeout(context.Background(), mqttGoodbye)
		defer cancel()
		err = n.publish(ctx, 1, []message{{topic: x.names.node("NDEATH"), payload: x.death(uint8(bdSeq))}})
	}
	if err != nil {
		x.lg.Warn("the broker was not told of the node's death", "error", err)
	}
	n.leave(mqttFlush)
}

// Deliver implements [Sink]. Without a connection it waits for one until ctx
// ends.
func (x *Sparkplug) Deliver(ctx context.Context, rows Rows) error {
	n, err := x.link.session(ctx)
	if err != nil {
		return err
	}
	if err := x.send(ctx, n, rows); err != nil {
		return fmt.Errorf("publishing to %s: %w", x.broker.url, err)
	}
	return nil
}

func (x *Sparkplug) send(ctx context.Context, n *node, rows Rows) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	messages, err := x.messages(ctx, n, rows)
	if err != nil {
		n.leave(0) // numbers have been given to messages that don't go out
		return err
	}
	if err := n.publish(ctx, 0, messages); err != nil {
		return err
	}
	return x.listen(ctx, n)
}

// sparkplugNames are the ids in topics, which take neither slashes nor
// wildcards.
type sparkplugNames struct {
	group, id string
	devices   map[string]string // by brake
}

func newSparkplugNames(s SparkplugSettings, site string, brakes []string) (sparkplugNames, error) {
	names := sparkplugNames{group: s.Group, id: s.Node, devices: map[string]string{}}
	if names.id == "" {
		names.id = sparkplugID(site)
	}
	var errs []error
	for _, c := range []struct{ key, id string }{{"group", names.group}, {"node", names.id}} {
		if err := checkSparkplugID(c.id); err != nil {
			errs = append(errs, fmt.Errorf("export.sparkplug.%s: %w", c.key, err))
		}
	}
	if s.PrimaryHost != "" {
		if err := checkSparkplugID(s.PrimaryHost); err != nil {
			errs = append(errs, fmt.Errorf("export.sparkplug.primary_host: %w", err))
		}
	}
	taken := map[string]string{}
	for _, brake := range brakes {
		id := sparkplugID(brake)
		if err := checkSparkplugID(id); err != nil {
			errs = append(errs, fmt.Errorf("export.sparkplug: brake: %w", err))
			continue
		}
		if other := taken[id]; other != "" {
			errs = append(errs, fmt.Errorf("export.sparkplug: brake: %q and %q would both be the device %s", other, brake, id))
			continue
		}
		taken[id], names.devices[brake] = brake, id
	}
	return names, errors.Join(errs...)
}

// sparkplugID makes a name an id: slashes and spaces become "-".
func sparkplugID(name string) string { return strings.NewReplacer("/", "-", " ", "-").Replace(name) }

func checkSparkplugID(id string) error {
	if id == "" {
		return errors.New("is missing; it is a level of every Sparkplug topic")
	}
	if strings.Contains(id, "/") {
		return fmt.Errorf("%q has a slash, which no id in a Sparkplug topic may have", id)
	}
	_, err := topicOf(id)
	return err
}

func (n sparkplugNames) node(kind string) string {
	return "spBv1.0/" + n.group + "/" + kind + "/" + n.id
}

// device is a topic of a brake, empty for one that the site file doesn't name.
func (n sparkplugNames) device(kind, brake string) string {
	id, ok := n.devices[brake]
	if !ok {
		return ""
	}
	return n.node(kind) + "/" + id
}
