import os

from django.core.wsgi import get_wsgi_application

from fleet.operating import traces

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")
traces.start("web")  # before the middleware is read: its own comes first
application = get_wsgi_application()
