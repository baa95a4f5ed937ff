//go:build unix

package pgtest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

// Options of Run. The zero value is a server with the settings of a fresh
// installation.
type Options struct {
	// Dir is the data folder. It is kept when the server ends, and one that
	// holds a cluster is taken up again. "" = one that goes away.
	Dir string
	// Settings are added to the server's, such as "fsync": "off".
	Settings map[string]string
}

// Server is a private PostgreSQL.
type Server struct {
	bin, data, socket string
	temporary         string // goes away in the end
	settings          map[string]string
	as                *syscall.Credential // nil = as ourselves
	databases         atomic.Int64

	mu       sync.Mutex
	postgres *exec.Cmd
	exited   chan struct{} // closed when postgres has ended
	said     *bytes.Buffer // read after exited
	guard    *exec.Cmd
	leash    io.Closer // the guard acts when it closes
}

const owner = "gatewright"

// readyWithin bounds how long a start may take, recovery from a crash included.
const readyWithin = 60 * time.Second

// Run starts a server and returns when it answers. The error is ErrMissing
// where there is no PostgreSQL.
func Run(ctx context.Context, o Options) (_ *Server, err error) {
	s := &Server{data: o.Dir, settings: o.Settings}
	if s.bin, err = find(); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = fmt.Errorf("starting a private PostgreSQL: %w", err)
			if s.temporary != "" {
				err = errors.Join(err, os.RemoveAll(s.temporary))
			}
		}
	}()
	if s.as, err = account(); err != nil {
		return nil, err
	}
	// The path of a Unix socket has about 100 bytes: not the test's own folder.
	if s.temporary, err = os.MkdirTemp(shortTemp(), "gwpg"); err != nil {
		return nil, err
	}
	if err := s.give(s.temporary); err != nil {
		return nil, err
	}
	s.socket = s.temporary
	if s.data == "" {
		s.data = filepath.Join(s.temporary, "data")
	}
	if _, err := os.Stat(filepath.Join(s.data, "PG_VERSION")); errors.Is(err, fs.ErrNotExist) {
		if err := os.MkdirAll(s.data, 0o700); err != nil {
			return nil, err
		}
		if err := s.give(s.data); err != nil {
			return nil, err
		}
		if err := s.initialise(ctx); err != nil {
			return nil, err
		}
	}
	return s, s.start(ctx)
}

// shortTemp is where temporary folders have short names.
func shortTemp() string {
	if dir := os.TempDir(); len(dir) <= 40 {
		return dir
	}
	return "/tmp"
}

// account is whom the server runs as when we are root.
func account() (*syscall.Credential, error) {
	if os.Geteuid() != 0 {
		return nil, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err := strconv.ParseUint(u.Uid, 10, 32)
		if err != nil {
			return nil, err
		}
		gid, err := strconv.ParseUint(u.Gid, 10, 32)
		if err != nil {
			return nil, err
		}
		return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, nil
	}
	return nil, errors.New("it does not run as root, and there is no account postgres or nobody")
}

// give makes a folder the server's own.
func (s *Server) give(dir string) error {
	if s.as == nil {
		return nil
	}
	return os.Chown(dir, int(s.as.Uid), int(s.as.Gid))
}

func (s *Server) command(name string, args ...string) *exec.Cmd {
	c := exec.Command(name, args...)
	c.Dir = s.temporary
	c.Env = []string{"PATH=" + os.Getenv("PATH"), "LC_ALL=C", "TZ=UTC"}
	c.SysProcAttr = &syscall.SysProcAttr{Credential: s.as}
	return c
}

// initialise makes the cluster, with text in the order of a human language
// where PostgreSQL can, so that nothing passes that relies on the order of
// bytes. initdb need not wait for the disk: who loses the machine here has lost
// an empty cluster.
func (s *Server) initialise(ctx context.Context) error {
	args := []string{"-D", s.data, "-U", owner, "--auth=trust", "--encoding=UTF8", "--locale=C", "--no-sync"}
	human := append(args, "--locale-provider=icu", "--icu-locale=en")
	if s.command(filepath.Join(s.bin, "initdb"), human...).Run() == nil {
		return nil
	}
	if out, err := s.command(filepath.Join(s.bin, "initdb"), args...).CombinedOutput(); err != nil {
		return fmt.Errorf("initdb: %w: %s", err, out)
	}
	return ctx.Err()
}

// start starts the server's process and its guard, and waits for its answer.
func (s *Server) start(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	args := []string{"-D", s.data, "-k", s.socket, "-c", "listen_addresses=", "-c", "logging_collector=off"}
	for name, value := range s.settings {
		args = append(args, "-c", name+"="+value)
	}
	c := s.command(filepath.Join(s.bin, "postgres"), args...)
	s.said, s.exited = &bytes.Buffer{}, make(chan struct{})
	c.Stdout, c.Stderr = s.said, s.said
	if err := c.Start(); err != nil {
		return err
	}
	s.postgres = c
	exited := s.exited
	go func() { _ = c.Wait(); close(exited) }()
	if err := s.watch(); err != nil {
		return errors.Join(err, s.end(syscall.SIGQUIT))
	}
	ctx, cancel := context.WithTimeout(ctx, readyWithin)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		err := s.exec(ctx, "SELECT 1")
		if err == nil {
			return nil
		}
		select {
		case <-exited:
			return errors.Join(fmt.Errorf("postgres ended: %s", s.said), s.end(syscall.SIGQUIT))
		case <-ctx.Done():
			return errors.Join(fmt.Errorf("postgres does not answer: %w", err), s.end(syscall.SIGQUIT))
		case <-tick.C:
		}
	}
}

// watch starts a guard that ends the server when this process is gone.
func (s *Server) watch() error {
	guard := s.command("/bin/sh", "-c",
		`cat >/dev/null; kill -QUIT "$0"; while kill -0 "$0" 2>/dev/null; do sleep 0.1; done; rm -rf "$1"`,
		strconv.Itoa(s.postgres.Process.Pid), s.temporary)
	// Ctrl-C is for us; we tell the guard by going away. It is of our account, which may take the folder away.
	guard.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	leash, err := guard.StdinPipe()
	if err != nil {
		return err
	}
	if err := guard.Start(); err != nil {
		return err
	}
	s.guard, s.leash = guard, leash
	return nil
}

// end ends the server's process by a signal, and its guard.
func (s *Server) end(how syscall.Signal) error {
	if s.guard != nil {
		_ = s.guard.Process.Kill()
		_ = s.guard.Wait()
		_ = s.leash.Close()
		s.guard = nil
	}
	if s.postgres == nil {
		return nil
	}
	err := s.postgres.Process.Signal(how)
	<-s.exited
	s.postgres = nil
	if errors.Is(err, os.ErrProcessDone) {
		return nil
	}
	return err
}

// Kill ends the server as a crash does: its first process is killed and the
// others go without writing anything more.
func (s *Server) Kill() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.end(syscall.SIGKILL)
}

// Halt ends the server in good order, breaking off what is under way; Restart
// starts it again.
func (s *Server) Halt() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.end(syscall.SIGINT)
}

// Restart starts the server again after Kill or Halt, and returns when it has
// recovered.
func (s *Server) Restart(ctx context.Context) error {
	// After a kill the other processes need a moment to notice; until then a
	// new server finds the data folder in use and ends at once.
	deadline := time.Now().Add(readyWithin)
	for {
		err := s.start(ctx)
		if err == nil || ctx.Err() != nil || time.Now().After(deadline) {
			return err
		}
	}
}

// Stop ends the server and removes what was temporary.
func (s *Server) Stop() error {
	err := s.Halt()
	return errors.Join(err, os.RemoveAll(s.temporary))
}

// Pid is the server's first process, 0 when it does not run.
func (s *Server) Pid() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.postgres == nil {
		return 0
	}
	return s.postgres.Process.Pid
}

// Data is the data folder.
func (s *Server) Data() string { return s.data }

// DSN is the address of one of the server's databases.
func (s *Server) DSN(database string) string {
	u := url.URL{Scheme: "postgres", User: url.User(owner), Path: "/" + database,
		RawQuery: url.Values{"host": {s.socket}, "sslmode": {"disable"}}.Encode()}
	return u.String()
}

// Database makes a fresh, empty database and gives its address.
func (s *Server) Database(ctx context.Context) (dsn string, err error) {
	name, err := s.make(ctx, "")
	return s.DSN(name), err
}

func (s *Server) make(ctx context.Context, how string) (name string, err error) {
	name = fmt.Sprintf("gatewright%d", s.databases.Add(1))
	if err := s.exec(ctx, "CREATE DATABASE "+name+how); err != nil {
		return "", fmt.Errorf("making a database: %w", err)
	}
	return name, nil
}

// exec runs one statement as the owner of the cluster.
func (s *Server) exec(ctx context.Context, statement string) (err error) {
	conn, err := pgx.Connect(ctx, s.DSN("postgres"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close(context.WithoutCancel(ctx))) }()
	_, err = conn.Exec(ctx, statement)
	return err
}
