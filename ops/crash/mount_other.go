//go:build !linux

package crash

import "errors"

// ErrNoMount is given where no small disk can be made: it needs Linux and the right to mount.
var ErrNoMount = errors.New("no small disk can be mounted here")

type disk struct{ folder string }

func newDisk(int) (*disk, error) { return nil, ErrNoMount }

func (*disk) unmount() error   { return ErrNoMount }
func (*disk) fill(int64) error { return ErrNoMount }
func (*disk) relieve() error   { return ErrNoMount }
