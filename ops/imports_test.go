package ops

import (
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// An arrow is what the packages under a folder may import, with the reason. Own packages are named without the
// module's name; a folder stands for everything below it. Only the longest matching folder counts.
type arrow struct {
	from   string
	own    []string
	others []string // modules outside the standard library
	why    string
}

var arrows = []arrow{
	{"schema", []string{"schema"}, []string{"gonum.org/v1/gonum", "github.com/teambition/rrule-go"},
		"what things mean is pure Go without I/O, so that it runs the same on phones and servers"},
	{"schema/input", []string{"schema/canon", "schema/input/refuse"}, nil, "reads and describes any calculation's fields and knows none"},
	{"schema/record", []string{"schema/canon"}, nil, "a record's digest hangs on its bytes alone"},
	{"sync/change", nil, nil, "bytes from the network are read by our own code and the standard library, by nothing else"},
	{"sync/fold", []string{"schema/canon", "sync/change"}, nil, "the plan's projection runs on phones too"},
	{"sync/wire", []string{"sync/change"}, []string{"github.com/fxamacker/cbor/v2"}, "frames are CBOR"},
	{"sync/graph", []string{"sync/change", "sync/wire"}, nil, "the sync state knows changes and messages only"},
	{"sync/crdt", []string{"schema/canon", "sync/change", "sync/graph", "sync/wire"}, []string{"github.com/automerge/automerge-go"},
		"the only place that touches the native library, which no unchecked byte may reach"},
	{"sync/admit", []string{"schema", "sync/change", "sync/fold"}, nil, "a judgement is pure: no store, no socket"},
	{"sync/hub", []string{"schema", "sync/admit", "sync/change", "sync/fold", "sync/graph", "sync/wire"}, nil,
		"the hub declares the store it needs and knows none"},
	{"sync/memstore", []string{"schema", "sync/admit", "sync/change", "sync/hub"}, nil, "stores know the hub, not one another"},
	{"sync/sqlstore", []string{"sync/admit", "sync/change", "sync/hub", "sync/pack"}, []string{"github.com/pressly/goose/v3"}, "the SQL of every engine knows no driver"},
	{"sync/sqlitestore", []string{"sync/hub", "sync/sqlstore"},
		[]string{"modernc.org/sqlite", "github.com/pressly/goose/v3"}, "stores know the hub, not one another"},
	{"sync/pgstore", []string{"sync/hub", "sync/sqlstore", "sync/pgstore"},
		[]string{"github.com/jackc/pgx/v5", "github.com/pressly/goose/v3"}, "stores know the hub and the SQL they share, not one another"},
	{"sync/storetest", []string{"schema", "sync/admit", "sync/change", "sync/hub", "sync/memstore", "sync/sqlstore"}, []string{"github.com/google/go-cmp", "pgregory.net/rapid"}, "the contract that every store keeps"},
	{"sync/accept", []string{"schema", "sync/admit", "sync/change", "sync/hub"}, nil,
		"what a manager lets in is judged and written by the same hands as all else"},
	{"sync/replay", []string{"schema", "sync/change", "sync/fold", "sync/hub"}, nil, "reads stored documents for the rules"},
	{"sync/pack", []string{"sync/change", "sync/hub"}, nil, "how a closed month is written in one piece: bytes in, bytes out"},
	{"sync/scrub", []string{"schema", "sync/admit", "sync/change", "sync/fold", "sync/hub", "sync/pack", "sync/wire"}, nil,
		"looks through stored rows by plain SQL, whichever store they are in"},
	{"api", []string{"schema", "sync", "api"}, []string{
		"github.com/gofiber/fiber/v2", "github.com/gofiber/contrib/websocket", "github.com/fasthttp/websocket",
		"github.com/danielgtaylor/huma/v2", "github.com/golang-jwt/jwt/v5", "github.com/spf13/cobra",
		"github.com/caarlos0/env/v11", "github.com/google/uuid",
		"github.com/go-webauthn/webauthn", "golang.org/x/crypto"}, "people reach it here"},
	{"clients/ruleswasm", []string{"schema", "sync/change", "sync/fold"}, nil, "only what runs on a phone"},
	{"clients/calcwasm", []string{"schema"}, nil, "calculations are pure, on the phone as elsewhere"},
	{"clients/phonesim", []string{"schema", "sync"}, []string{"github.com/fxamacker/cbor/v2"}, "a phone knows documents and messages, no server"},
	{"ops/load/barefiber", nil, []string{"github.com/gofiber/fiber/v2", "github.com/gofiber/contrib/websocket"},
		"the floor that our server's memory is measured against: its web framework alone"},
	{"ops/load", []string{"schema", "sync", "api"}, []string{"github.com/fasthttp/websocket"},
		"it measures: clients of our own making, data made through the store, and nothing of the server's inside"},
	{"ops/rulesbench", []string{"schema", "sync/change", "sync/fold", "sync/hub", "sync/memstore", "api/starter"}, nil,
		"it measures the rules on a new site's plan, which the hub writes as it does for anybody"},
	{"ops", []string{"schema", "sync", "clients", "api", "ops"}, []string{"github.com/rogpeppe/go-internal"}, "scenarios put everything together"},
	{"ops/platforms/play", []string{"schema"}, nil, "what is played stands in the program built for every platform: the rules and nothing else"},
	{"ops/platforms/answer", []string{"ops/platforms/play", "schema"}, nil, "the program built for every platform holds rules and calculations and nothing else"},
	{"ops/naive", []string{"schema/chart", "schema/num", "schema/rates", "schema/trend"}, []string{"github.com/teambition/rrule-go"},
		"a second reading of the rules is worth something only without the first; numbers alone are shared"},
	{"ops/crash", []string{"schema", "sync", "clients", "ops/crash"}, []string{"github.com/fasthttp/websocket"},
		"crash trials reach the built program as a phone and a console do, and read its database"},
}

// forbidden is what may be imported nowhere but in one place, or in few.
var forbidden = map[string][]string{
	"github.com/automerge/automerge-go": {"sync/crdt"},
	"modernc.org/sqlite":                {"sync/sqlitestore"},
	"github.com/gofiber/fiber/v2":       {"api/httpapi", "ops/load/barefiber"},
}

func TestImports(t *testing.T) {
	packages := list(t)
	if len(packages) < 15 {
		t.Fatalf("only %d packages were listed", len(packages))
	}
	for _, p := range packages {
		from := strings.TrimPrefix(p.ImportPath, "gatewright/")
		a := arrowOf(from)
		if a == nil {
			t.Errorf("%s: no arrow says what it may import: add one, with its reason", from)
			continue
		}
		for _, path := range p.Imports {
			own, isOwn := strings.CutPrefix(path, "gatewright/")
			switch {
			case isOwn && !within(own, a.own), !isOwn && isModule(path) && !within(path, a.others):
				t.Errorf("%s imports %s; %s may not, because %s", from, path, a.from, a.why)
			}
			for module, only := range forbidden {
				if within(path, []string{module}) && !within(from, only) {
					t.Errorf("%s imports %s, which belongs to %s alone", from, path, strings.Join(only, " and "))
				}
			}
		}
	}
}

// What a phone downloads and starts first stays small: these packages alone
// would make the rules' module larger and slower to start.
func TestRulesModuleStaysSmall(t *testing.T) {
	c := exec.Command("go", "list", "-deps", "gatewright/clients/ruleswasm")
	c.Env = append(os.Environ(), "GOOS=wasip1", "GOARCH=wasm", "CGO_ENABLED=0")
	out, err := c.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	deps := strings.Fields(string(out))
	if !slices.Contains(deps, "gatewright/schema/rules") {
		t.Fatal("the rules' module does not hold the rules")
	}
	for _, heavy := range []string{"fmt", "reflect", "os", "encoding/json", "encoding/hex", "encoding/binary", "compress/flate", "crypto/sha256", "crypto/sha1", "regexp"} {
		if slices.Contains(deps, heavy) {
			t.Errorf("the rules' module imports %s", heavy)
		}
	}
}

type listed struct {
	ImportPath string
	Imports    []string
}

func list(t *testing.T) []listed {
	t.Helper()
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports", "gatewright/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []listed
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listed
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

func arrowOf(from string) *arrow {
	var best *arrow
	for i, a := range arrows {
		if within(from, []string{a.from}) && (best == nil || len(a.from) > len(best.from)) {
			best = &arrows[i]
		}
	}
	return best
}

func within(path string, folders []string) bool {
	for _, f := range folders {
		if path == f || strings.HasPrefix(path, f+"/") {
			return true
		}
	}
	return false
}

// isModule tells a path outside the standard library: its first element has a dot.
func isModule(path string) bool {
	first, _, _ := strings.Cut(path, "/")
	return strings.Contains(first, ".")
}
