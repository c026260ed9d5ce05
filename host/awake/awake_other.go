//go:build !linux && !windows && !darwin

package awake

import "errors"

func keep(string) (func(), error) { return nil, errors.New("this system cannot be asked") }
