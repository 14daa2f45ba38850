package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"farthingale/domain"
	"farthingale/domain/people"
)

// runPerson makes an account. The password is read from the environment variable
// FARTHINGALE_PASSWORD or from one line of standard input, so that it is in no list of processes.
func runPerson(ctx context.Context, s *settings, rest []string) error {
	if len(rest) != 1 || rest[0] != "add" {
		return errors.New("say: farthingale person add --name … --sign-in … --role …")
	}
	password := os.Getenv("FARTHINGALE_PASSWORD")
	if password == "" {
		fmt.Fprintln(os.Stderr, "Password, then Enter. "+people.PasswordAdvice)
		line, err := bufio.NewReader(os.Stdin).ReadString('\n')
		if err != nil && line == "" {
			return errors.New("no password was given: set FARTHINGALE_PASSWORD or type it")
		}
		password = strings.TrimRight(line, "\r\n")
	}
	roles, err := rolesOf(s.role)
	if err != nil {
		return err
	}
	return s.with(ctx, func(o *opened) error {
		p, err := o.People.AddByHand(ctx, domain.Actor{}, people.NewPerson{Facts: people.Facts{
			Name: s.name, SignInName: s.signIn, Email: s.email, Roles: roles, Departments: words(s.department), SeesValues: s.seesValues,
		}, Password: domain.Secret(password)})
		if err != nil {
			return err
		}
		fmt.Printf("%s has an account and signs in as %s.\n", p.Name, p.SignInName)
		return nil
	})
}

// runToken makes a token for a person and prints its secret.
func runToken(ctx context.Context, s *settings, rest []string) error {
	if len(rest) != 1 || rest[0] != "add" {
		return errors.New("say: farthingale token add --sign-in … --name …")
	}
	return s.with(ctx, func(o *opened) error {
		p, err := o.People.BySignInName(ctx, s.signIn)
		if err != nil {
			return err
		}
		t, err := o.People.AddToken(ctx, p.Actor(), people.NewToken{Name: s.name, Scopes: words(s.scope), Days: s.days})
		if err != nil {
			return err
		}
		fmt.Println(t.Secret)
		return nil
	})
}

// with opens the house for one act of the command line.
func (s *settings) with(ctx context.Context, act func(o *opened) error) error {
	site, err := s.site()
	if err != nil {
		return err
	}
	o, err := open(ctx, s, site)
	if err != nil {
		return err
	}
	return errors.Join(act(o), o.close(ctx))
}
