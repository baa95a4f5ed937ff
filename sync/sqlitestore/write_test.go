package sqlitestore

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"runtime"
	"sync"
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// chain is the n-th batch of an actor: two changes and their entries, each
// depending on the one before. Each actor has a document of its own.
func chain(actor string, n int) hub.Batch {
	name := func(seq int) change.Hash { return sha256.Sum256(fmt.Appendf(nil, "%s/%d", actor, seq)) }
	b := hub.Batch{Site: "s1", Doc: "log/" + actor, DocID: "doc-" + actor, Now: int64(n)}
	for seq := 2*n - 1; seq <= 2*n; seq++ {
		c := hub.StoredChange{
			Hash: name(seq), Actor: change.Actor(actor), Seq: uint64(seq), Bytes: fmt.Appendf(nil, "change %s/%d", actor, seq), Device: "d1",
			Entries: []hub.EntryRow{{ID: fmt.Sprintf("%s/%d", actor, seq), Person: "p1"}},
		}
		if seq > 1 {
			c.Deps = []change.Hash{name(seq - 1)}
		}
		b.Changes = append(b.Changes, c)
	}
	return b
}

// stored gives how many batches of a chain are there, and fails when one is
// there by half or out of turn.
func stored(t *testing.T, db *DB, actor string) int {
	t.Helper()
	changes, _, err := db.Load(t.Context(), "s1", "log/"+actor)
	if err != nil {
		t.Fatal(err)
	}
	there := map[uint64]bool{}
	for _, c := range changes {
		if len(c.Entries) != 1 {
			t.Fatalf("change %s/%d has %d entries", actor, c.Seq, len(c.Entries))
		}
		there[c.Seq] = true
	}
	for seq := range len(changes) {
		if !there[uint64(seq+1)] {
			t.Fatalf("of %d changes of %s, number %d is missing", len(changes), actor, seq+1)
		}
	}
	if len(changes)%2 != 0 {
		t.Fatalf("half a batch of %s is there: %d changes", actor, len(changes))
	}
	return len(changes) / 2
}

func ready(t *testing.T) (*DB, string) {
	t.Helper()
	db, path := fresh(t)
	putSite(t, db, "s1")
	putDevice(t, db, "s1", admit.Author{Device: "d1"})
	return db, path
}

// together runs writes so that they wait at once while the writer is kept busy,
// and gives their errors in order. waiting counts a goroutine a moment before
// it waits, so some may be late for the first group.
func together(t *testing.T, db *DB, writes ...func() error) []error {
	t.Helper()
	busy, release := make(chan struct{}), make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		err := db.Write(context.Background(), func(*sql.Tx) error { close(busy); <-release; return nil })
		if err != nil {
			t.Errorf("the write that keeps the writer busy: %v", err)
		}
	})
	<-busy
	errs := make([]error, len(writes))
	var waiting sync.WaitGroup
	for i, w := range writes {
		waiting.Add(1)
		wg.Go(func() { waiting.Done(); errs[i] = w() })
	}
	waiting.Wait()
	for range 1000 {
		runtime.Gosched()
	}
	close(release)
	wg.Wait()
	return errs
}

// commitsIn counts the commit frames of a write-ahead log since it began.
func commitsIn(t *testing.T, wal string) (n int) {
	t.Helper()
	b, err := os.ReadFile(wal)
	if err != nil {
		t.Fatal(err)
	}
	page := int(binary.BigEndian.Uint32(b[8:]))
	salt := string(b[16:24])
	for at := 32; at+24+page <= len(b); at += 24 + page {
		if string(b[at+8:at+16]) == salt && binary.BigEndian.Uint32(b[at+4:]) != 0 {
			n++
		}
	}
	return n
}

// What is counted is what SQLite wrote: the commits in its log.
func TestWritersShareCommits(t *testing.T) {
	db, path := ready(t)
	const n = 200 // more than one group takes
	before := commitsIn(t, path+"-wal")
	commits0, writes0 := db.Commits()
	var writes []func() error
	for i := range n {
		writes = append(writes, func() error { return db.Append(context.Background(), chain(fmt.Sprintf("a%d", i), 1)) })
	}
	for i, err := range together(t, db, writes...) {
		if err != nil {
			t.Errorf("append %d: %v", i, err)
		}
	}
	got := commitsIn(t, path+"-wal") - before
	if got > n/4 {
		t.Errorf("%d appends took %d commits", n, got)
	}
	t.Logf("%d appends took %d commits", n, got)
	commits1, writes1 := db.Commits()
	// The write that kept the writer busy is counted, and left nothing to log.
	if int(commits1-commits0) != got+1 || writes1-writes0 != n+1 {
		t.Errorf("Commits counts %d commits of %d writes; want %d of %d", commits1-commits0, writes1-writes0, got+1, n+1)
	}
	for i := range n {
		if stored(t, db, fmt.Sprintf("a%d", i)) != 1 {
			t.Errorf("append %d is not there", i)
		}
	}
}

// One by one, each append is a commit: the count above can come out otherwise.
func TestOneByOneDoesNotShare(t *testing.T) {
	db, path := ready(t)
	before := commitsIn(t, path+"-wal")
	for i := range 8 {
		if err := db.Append(t.Context(), chain("a", i+1)); err != nil {
			t.Fatal(err)
		}
	}
	if got := commitsIn(t, path+"-wal") - before; got != 8 {
		t.Errorf("8 appends took %d commits", got)
	}
}

func TestARefusalLeavesItsNeighboursAlone(t *testing.T) {
	db, _ := ready(t)
	if err := db.Append(t.Context(), chain("a", 1)); err != nil {
		t.Fatal(err)
	}
	bad := chain("bad", 1)
	bad.Changes[1].Entries[0].ID = "a/1"
	failing := errors.New("failing on purpose")
	app := func(b hub.Batch) func() error {
		return func() error { return db.Append(context.Background(), b) }
	}
	errs := together(t, db,
		app(chain("b", 1)), app(bad), app(chain("c", 1)),
		func() error {
			return db.Write(context.Background(), func(tx *sql.Tx) error {
				_, err := tx.Exec(`INSERT INTO settings (key, value) VALUES ('a', 'b')`)
				return errors.Join(err, failing)
			})
		},
		app(chain("d", 1)),
	)
	refused, ok := errors.AsType[*hub.StoreError](errs[1])
	if !ok || refused.Code != hub.StoreTaken || refused.Entry != "a/1" {
		t.Errorf("the bad batch: %v", errs[1])
	}
	if !errors.Is(errs[3], failing) {
		t.Errorf("the failing write: %v", errs[3])
	}
	for i, actor := range map[int]string{0: "b", 2: "c", 4: "d"} {
		if errs[i] != nil || stored(t, db, actor) != 1 {
			t.Errorf("batch %s: %v", actor, errs[i])
		}
	}
	if stored(t, db, "bad") != 0 {
		t.Error("the bad batch is there")
	}
	var n int
	if err := db.Reader().QueryRow(`SELECT (SELECT COUNT(*) FROM settings) + (SELECT COUNT(*) FROM documents WHERE name = 'log/bad')`).Scan(&n); err != nil || n != 0 {
		t.Errorf("%d rows were left behind, %v", n, err)
	}
}

// A statement that is interrupted, or a disk that is full, takes SQLite's whole
// transaction with it; the neighbours are done again.
func TestABrokenTransactionLeavesNeighboursAlone(t *testing.T) {
	db, _ := ready(t)
	app := func(b hub.Batch) func() error {
		return func() error { return db.Append(context.Background(), b) }
	}
	interrupted := func() error { return interruptedWrite(db) }
	errs := together(t, db, app(chain("a", 1)), interrupted, app(chain("b", 1)), app(chain("c", 1)))
	if !errors.Is(errs[1], context.Canceled) {
		t.Errorf("the interrupted write: %v", errs[1])
	}
	for i, actor := range map[int]string{0: "a", 2: "b", 3: "c"} {
		if errs[i] != nil || stored(t, db, actor) != 1 {
			t.Errorf("batch %s: %v", actor, errs[i])
		}
	}
	var n int
	if err := db.Reader().QueryRow(`SELECT COUNT(*) FROM settings`).Scan(&n); err != nil || n != 0 {
		t.Errorf("%d rows of the interrupted write, %v", n, err)
	}
}

// interruptedWrite runs a statement without end until its context stops it.
func interruptedWrite(db *DB) error {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	return db.Write(context.Background(), func(tx *sql.Tx) error {
		if _, err := tx.Exec(`INSERT INTO settings (key, value) VALUES ('kept', '?')`); err != nil {
			return err
		}
		go cancel()
		_, err := tx.ExecContext(ctx, `INSERT INTO settings (key, value)
			WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT 'n' || i, '' FROM n`)
		return err
	})
}

func TestFullFile(t *testing.T) {
	db, _ := ready(t)
	limit := func(pages int) {
		t.Helper()
		if _, err := db.writer.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages)); err != nil {
			t.Fatal(err)
		}
	}
	var pages int
	if err := db.writer.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
		t.Fatal(err)
	}
	limit(pages + 20)
	big := chain("big", 1)
	big.Changes[0].Bytes = make([]byte, 1<<20)
	app := func(b hub.Batch) func() error {
		return func() error { return db.Append(context.Background(), b) }
	}
	errs := together(t, db, app(chain("a", 1)), app(big), app(chain("b", 1)))
	if !errors.Is(errs[1], ErrFull) {
		t.Errorf("the big batch: %v, want ErrFull", errs[1])
	}
	if errs[0] != nil || errs[2] != nil || stored(t, db, "a") != 1 || stored(t, db, "b") != 1 {
		t.Errorf("the small batches: %v, %v", errs[0], errs[2])
	}
	if stored(t, db, "big") != 0 {
		t.Error("the big batch is there")
	}
	// A write that hides the failure of its statement is not believed.
	err := db.Write(t.Context(), func(tx *sql.Tx) error {
		_, _ = tx.Exec(`INSERT INTO settings (key, value) VALUES ('big', $1)`, string(make([]byte, 1<<20)))
		return nil
	})
	var n int
	if scan := db.Reader().QueryRow(`SELECT COUNT(*) FROM settings`).Scan(&n); scan != nil || n != 0 {
		t.Errorf("%d rows, %v", n, scan)
	}
	t.Logf("a write that hid a full file got: %v", err)
	limit(1 << 20)
	if err := db.Append(t.Context(), big); err != nil || stored(t, db, "big") != 1 {
		t.Errorf("with room again: %v", err)
	}
}

func TestContextOfAWrite(t *testing.T) {
	db, _ := ready(t)
	// One that ends while it waits: not stored.
	busy, release := make(chan struct{}), make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := db.Write(context.Background(), func(*sql.Tx) error { close(busy); <-release; return nil }); err != nil {
			t.Error(err)
		}
	})
	<-busy
	ctx, cancel := context.WithCancel(t.Context())
	answer, waits := make(chan error), make(chan struct{})
	go func() { answer <- db.Append(&watched{Context: ctx, asked: waits}, chain("a", 1)) }()
	<-waits
	cancel()
	if err := <-answer; !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled while waiting: %v", err)
	}
	close(release)
	wg.Wait()
	if stored(t, db, "a") != 0 {
		t.Error("a batch said not to be stored is there")
	}

	// One that ends while it is written: stored, and said to be.
	ctx, cancel = context.WithCancel(t.Context())
	err := db.Write(ctx, func(tx *sql.Tx) error {
		cancel()
		_, err := tx.Exec(`INSERT INTO settings (key, value) VALUES ('a', 'b')`)
		return err
	})
	var n int
	if scan := db.Reader().QueryRow(`SELECT COUNT(*) FROM settings`).Scan(&n); scan != nil || n != 1 || err != nil {
		t.Errorf("cancelled while written: %v; %d rows, %v", err, n, scan)
	}

	// Many that end at any time: nil exactly when stored.
	for i := range 100 {
		actor := fmt.Sprintf("x%d", i)
		ctx, cancel := context.WithCancel(t.Context())
		go func() {
			for range i {
				runtime.Gosched()
			}
			cancel()
		}()
		err := db.Append(ctx, chain(actor, 1))
		if there := stored(t, db, actor) == 1; there != (err == nil) {
			t.Errorf("%s: stored %v, answer %v", actor, there, err)
		}
		cancel()
	}
}

// watched is a context that tells when somebody first waits for its end.
type watched struct {
	context.Context
	once  sync.Once
	asked chan struct{}
}

func (w *watched) Done() <-chan struct{} {
	w.once.Do(func() { close(w.asked) })
	return w.Context.Done()
}

// A function that panics or leaves ends its own goroutine, not the writer's.
func TestAWriteThatDoesNotReturn(t *testing.T) {
	db, _ := ready(t)
	insert := func(tx *sql.Tx) {
		if _, err := tx.Exec(`INSERT INTO settings (key, value) VALUES ('a', 'b')`); err != nil {
			t.Error(err)
		}
	}
	func() {
		defer func() {
			if p := recover(); p != "on purpose" {
				t.Errorf("recovered %v", p)
			}
		}()
		_ = db.Write(t.Context(), func(tx *sql.Tx) error { insert(tx); panic("on purpose") })
	}()
	var wg sync.WaitGroup
	wg.Go(func() {
		_ = db.Write(t.Context(), func(tx *sql.Tx) error { insert(tx); runtime.Goexit(); return nil })
	})
	wg.Wait()
	// Nor is it asked again when a neighbour broke the transaction.
	leaves := func() error {
		return db.Write(context.Background(), func(tx *sql.Tx) error { insert(tx); runtime.Goexit(); return nil })
	}
	together(t, db, leaves, leaves, leaves, leaves, leaves, leaves, func() error { return interruptedWrite(db) }, leaves, leaves)
	if err := db.Append(t.Context(), chain("a", 1)); err != nil {
		t.Error(err)
	}
	var n int
	if err := db.Reader().QueryRow(`SELECT COUNT(*) FROM settings`).Scan(&n); err != nil || n != 0 {
		t.Errorf("%d rows were left behind, %v", n, err)
	}
}

func TestClosed(t *testing.T) {
	db, path := ready(t)
	const writers = 8
	counts := make([]int, writers)
	var wg sync.WaitGroup
	first := make(chan struct{}, writers)
	for w := range writers {
		wg.Go(func() {
			for n := 1; ; n++ {
				err := db.Append(context.Background(), chain(fmt.Sprintf("w%d", w), n))
				if err != nil {
					if !errors.Is(err, ErrClosed) {
						t.Errorf("writer %d: %v, want ErrClosed", w, err)
					}
					return
				}
				counts[w] = n
				if n == 1 {
					first <- struct{}{}
				}
			}
		})
	}
	for range writers {
		<-first
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	wg.Wait()
	if _, _, err := db.Load(t.Context(), "s1", "log/w0"); !errors.Is(err, ErrClosed) {
		t.Errorf("Load: %v, want ErrClosed", err)
	}
	if err := db.Write(t.Context(), func(*sql.Tx) error { return nil }); !errors.Is(err, ErrClosed) {
		t.Errorf("Write: %v, want ErrClosed", err)
	}
	if err := db.Close(); err != nil {
		t.Errorf("closing again: %v", err)
	}
	again := open(t, path, Options{})
	for w, n := range counts {
		if got := stored(t, again, fmt.Sprintf("w%d", w)); got != n {
			t.Errorf("writer %d was told of %d batches, %d are there", w, n, got)
		}
	}
}
